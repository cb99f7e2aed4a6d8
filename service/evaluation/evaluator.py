"""One round of evaluation: plan, judge piece by piece, keep, tell."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from sqlalchemy import Connection, Engine

from service.errors import DecidedElsewhere
from service.evaluation import explaining, fleets, plan, restating, rolling, sources, telling
from service.evaluation.lives import Lives
from service.evaluation.piece import Course, Desk, Judged, judge
from service.evaluation.plan import Errand, Policy
from service.evaluation.restating import Restated
from service.rules.findings import Told
from service.storage import arrivals, database, inventory
from service.storage.fleets import any_open
from service.terms import Finding, Span
from service.webhooks.routes import Route


@dataclass(frozen=True)
class Outcome:
    """What a round did; `windows` are those of teams that were written new or with other figures."""

    windows: int = 0
    restated: int = 0
    raised: int = 0
    cleared: int = 0
    owed: int = 0
    events: int = 0


class Evaluator:
    """Evaluates what is due, with a memory of where each team stood.

    One evaluator works on a database at a time; whoever takes over starts with an empty memory.
    """

    def __init__(self, engine: Engine, policy: Policy, routes: Sequence[Route] = ()) -> None:
        self._engine = engine
        self._policy = policy
        self._routes = tuple(routes)
        self._lives = Lives()
        self._fleets = True  # whether findings about fleets may be open

    def forget(self) -> None:
        """Start anew from what is kept: somebody else may have evaluated meanwhile."""
        self._lives.forget()
        self._fleets = True

    def run(self, now_ms: int) -> Outcome:
        """Evaluate all windows that are due at `now_ms`."""
        drawn, counts = database.retried(self._engine, partial(self._drawn_up, now_ms=now_ms))
        desk = Desk(self._policy, self._lives, now_ms)
        for errand in drawn.errands:
            counts.update(self._done(errand, desk))
        # What is open moves only with windows, and a fleet begins only with a raise.
        if any(counts[what] for what in ("raised", "cleared", "restated")) or (self._fleets and counts["windows"]):
            counts.update(database.retried(self._engine, partial(self._of_fleets, now_ms=now_ms)))
        if drawn.settled:
            database.retried(self._engine, lambda connection: arrivals.forget(connection, list(drawn.settled)))
        return Outcome(**counts)

    def _of_fleets(self, connection: Connection, *, now_ms: int) -> Counter[str]:
        counts = fleets.settle(connection, self._routes, now_ms)
        self._fleets = any_open(connection)
        return counts

    def _drawn_up(self, connection: Connection, *, now_ms: int) -> tuple[plan.Plan, Counter[str]]:
        drawn = plan.drawn_up(connection, self._policy, now_ms, self._lives.reached_ms)
        return drawn, telling.end(connection, drawn.emptied, self._routes, now_ms)

    def _done(self, errand: Errand, desk: Desk) -> Counter[str]:
        if not errand.is_late:
            return self._onward(errand, desk)
        self._lives.drop(errand.team_ids.tolist())
        old, recent = errand.parted(self._policy.width_ms)
        counts = self._corrected(old, desk) if old else Counter()
        counts.update(database.retried(self._engine, partial(self._anew, errand=recent, desk=desk)))
        return counts

    def _onward(self, errand: Errand, desk: Desk) -> Counter[str]:
        """Windows never decided before: each piece is kept, and what it found told, in one transaction."""
        counts: Counter[str] = Counter()
        course: Course | None = None
        for span in errand.pieces(self._policy.width_ms):
            work = partial(self._decided, errand=errand, span=span, course=course, desk=desk)
            judged, done = database.retried(self._engine, work)
            course = judged.course
            self._lives.remember(judged.placed, course.life)
            self._lives.reached_ms.update(judged.reached_ms())
            counts.update(done)
        return counts

    def _decided(
        self, connection: Connection, *, errand: Errand, span: Span, course: Course | None, desk: Desk
    ) -> tuple[Judged, Counter[str]]:
        _hold(connection, errand, span.first_ms)
        judged = explaining.with_explanations(connection, judge(connection, errand, span, course, desk), desk)
        counts = _settled(connection, judged, errand, desk)
        counts["owed"] += telling.keep(connection, judged, self._routes, desk.now_ms)
        inventory.note_decided(connection, errand.team_ids.tolist(), span.end_ms)
        return judged, counts + _told(judged.assessment.steps)

    def _corrected(self, errand: Errand, desk: Desk) -> Counter[str]:
        """Windows so old that only figures are corrected: nobody wants to hear of them any more."""
        counts: Counter[str] = Counter()
        course: Course | None = None
        for span in errand.pieces(self._policy.width_ms):
            with self._engine.begin() as connection:
                _hold(connection, errand, errand.decided_ms)
                judged = judge(connection, errand, span, course, desk)
                counts.update(_settled(connection, judged, errand, desk))
            course = judged.course
        return counts

    def _anew(self, connection: Connection, *, errand: Errand, desk: Desk) -> Counter[str]:
        """Windows decided before, and those due after them, in one transaction; only news is told."""
        counts: Counter[str] = Counter()
        found: dict[str, Finding] = {}
        steps: list[Told] = []
        changes: list[Restated] = []
        course: Course | None = None
        _hold(connection, errand, errand.decided_ms)
        for span in errand.pieces(self._policy.width_ms):
            judged = explaining.with_explanations(connection, judge(connection, errand, span, course, desk), desk)
            course = judged.course
            found.update({finding.id: finding for finding in judged.assessment.findings})
            steps += judged.assessment.steps
            changes += restating.restated(judged)
            counts.update(_settled(connection, judged, errand, desk))
        anew = restating.Anew(errand, found, steps, changes, judged.team_ids)
        counts["owed"] += restating.settle(connection, anew, self._routes, desk.now_ms)
        inventory.note_decided(connection, errand.team_ids.tolist(), errand.end_ms)
        return counts + _told(steps)


def _hold(connection: Connection, errand: Errand, decided_ms: int) -> None:
    """Go on only from where the plan left the teams: who was held up so long that another took over must not."""
    if inventory.hold_decided(connection, errand.team_ids.tolist()) != {decided_ms}:
        raise DecidedElsewhere


def _settled(connection: Connection, judged: Judged, errand: Errand, desk: Desk) -> Counter[str]:
    """Keep what a piece shows besides findings: roll-ups, and what is known of sources."""
    rolling.roll_up(connection, judged, errand.decided_ms)
    said = sources.note(connection, judged, desk)
    changed = judged.changed
    return Counter(windows=len(changed.team_id), restated=int((changed.restated > 0).sum()), events=said)


def _told(steps: Sequence[Told]) -> Counter[str]:
    return Counter(
        raised=sum(step.what in telling.BORN for step in steps), cleared=sum(step.what == "cleared" for step in steps)
    )
