"""The demo from opening to closing."""

from __future__ import annotations

import threading

from service.demo import narration, player
from service.demo.narration import Narrator, Say
from service.demo.player import Played
from service.demo.scenario import SEED, scenario
from service.demo.stage import Stage, stage


def run(*, port: int, once: bool, seed: int | None, say: Say) -> None:
    """Play the day; keep the service answering afterwards unless it is to end at once."""
    with stage(port) as theatre:
        perform(theatre, SEED if seed is None else seed, say)
        if not once:
            say(f"Still answering at {theatre.address}, its clock stopped; Ctrl-C ends it and removes the database.")
            threading.Event().wait()


def perform(theatre: Stage, seed: int, say: Say) -> Played:
    """Say what the demo is, play it, and say how things stand."""
    say(narration.opening(theatre.address, seed))
    played = player.play(theatre, scenario(seed), Narrator(say, theatre.parts.engine))
    messages, samples = theatre.receiver.messages, played.pushed.accepted
    say(narration.closing(theatre.parts.engine, messages, samples, played.seconds))
    return played
