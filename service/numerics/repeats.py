"""Agents that refresh their counters more slowly than they are polled.

Polls between two refreshes repeat the last reading. Taken at their word they make a saw-tooth
of a steady load: nothing, then twice as much. A poll is such a repeat when no counter of any
port of the device moved, and the polls where they did move come at regular distances.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.terms import OCTETS, FactsTable, Form, Ints, Layout, Samples, Truths

POLLS = 12  # that the pattern must hold for
POLL_MS = 1000  # samples of a device this close belong to one poll
FEWEST_REFRESHES = 3
FEWEST_REPEATS = 4  # of the last polls: one or two still polls are a pause, not a habit
# What link maintenance alone sends stays below this (common practice, no source): a keepalive is no refresh.
CHATTER_BPS = 10_000


class Refreshed(NamedTuple):
    """Samples that tell something new, and how often each device refreshes its counters, 0 where as often as polled."""

    samples: Samples
    refresh_ms: Ints


class Polls(NamedTuple):
    """Polls of all devices in order of device and time, and to which of them each sample belongs."""

    of_sample: npt.NDArray[np.intp]
    device: npt.NDArray[np.integer]
    at_ms: Ints
    moved: Truths  # some counter of the device did
    number: Ints  # within its device
    left: Ints  # polls of the device after it


def without_repeats(samples: Samples, layout: Layout, facts: FactsTable | None = None) -> Refreshed:
    """Leave out repeats, so that their time falls to the interval that ends at the next refresh.

    Parameters
    ----------
    samples : Samples
        Sorted by port and time.
    facts : FactsTable, optional
        What `samples.facts` points into; without it all samples count as counters.

    Returns
    -------
    Refreshed
        `refresh_ms` has shape (n_devices,). Of a device that refreshes slowly the samples
        before its first refresh are left out too: how old they were is not known. A silence
        longer than a refresh stays: the device is idle then.
    """
    refresh_ms = np.zeros(len(layout.devices), dtype=np.int64)
    if len(samples) < POLLS or int(np.bincount(samples.port).max()) < POLLS:
        return Refreshed(samples, refresh_ms)
    moved = _moved(samples, facts)
    polls = _polls(samples, moved, layout)
    suspects = _suspects(samples, moved, polls, len(layout.devices))
    slow, longest = _regular(polls, suspects, refresh_ms)
    if not slow.any():
        return Refreshed(samples, refresh_ms)
    drop = _repeats(polls, slow, longest)[polls.of_sample]
    return Refreshed(samples.take(~drop), refresh_ms)


def _moved(samples: Samples, facts: FactsTable | None) -> Truths:
    """Whether any counter of the sample differs from the one before it; the first of a port counts as not moved.

    An average always counts as moved: one that is told again is a steady load, not an old reading.
    """
    moved = np.zeros(len(samples), dtype=np.bool_)
    same_port = samples.port[1:] == samples.port[:-1]
    for counter in samples.counters.T:  # numpy is slow at many rows of few columns
        moved[1:] |= counter[1:] != counter[:-1]
    moved[1:] &= same_port
    if facts is not None and (rates := facts.form == Form.RATE).any():
        moved |= rates[samples.facts]
    return moved


def _polls(samples: Samples, moved: Truths, layout: Layout) -> Polls:
    device = layout.device_of_port[samples.port]
    order = np.lexsort((samples.at_ms, device))
    ordered_device, at_ms = device[order], samples.at_ms[order]
    begins = np.ones(len(order), dtype=np.bool_)
    begins[1:] = (ordered_device[1:] != ordered_device[:-1]) | (np.diff(at_ms) > POLL_MS)
    first = np.flatnonzero(begins)
    of_sample = np.empty(len(order), dtype=np.intp)
    of_sample[order] = np.cumsum(begins) - 1
    of_poll = ordered_device[first]
    starts = np.flatnonzero(np.diff(of_poll, prepend=-1))
    counts = np.diff(np.append(starts, len(first)))
    number = np.arange(len(first)) - np.repeat(starts, counts)
    return Polls(
        of_sample, of_poll, at_ms[first], np.logical_or.reduceat(moved[order], first), number,
        np.repeat(counts, counts) - 1 - number,
    )  # fmt: skip


def _suspects(samples: Samples, moved: Truths, polls: Polls, n_devices: int) -> Truths:
    """Devices with repeats among their last polls, whose busy ports all move together, shape (n_devices,)."""
    recent = polls.left < POLLS
    enough = np.bincount(polls.device[recent & (polls.number > 0)], minlength=n_devices) >= POLLS - 1
    repeats = np.bincount(polls.device[recent & ~polls.moved & (polls.number > 0)], minlength=n_devices) > 0
    if not (enough & repeats).any():
        return enough & repeats
    mine = recent[polls.of_sample]
    busy = np.bincount(samples.port[mine & moved], minlength=int(samples.port.max()) + 1) > 0
    judged = mine & busy[samples.port] & (polls.number[polls.of_sample] > 0)
    odd = judged & (moved != polls.moved[polls.of_sample])
    differ = np.bincount(polls.device[polls.of_sample[odd]], minlength=n_devices) > 0
    return np.asarray(enough & repeats & ~differ & (_loads(samples, polls, n_devices) > CHATTER_BPS))


def _loads(samples: Samples, polls: Polls, n_devices: int) -> npt.NDArray[np.float64]:
    """The mean rate of each device over its polls, bit/s, all octet counters together, shape (n_devices,)."""
    columns = [place for place, counter in enumerate(samples.columns) if counter // 2 == OCTETS]
    before, now = samples.counters[:-1, columns], samples.counters[1:, columns]
    grown = np.where(now >= before, now - np.minimum(now, before), 0).astype(np.float64).sum(axis=1)
    same_port = samples.port[1:] == samples.port[:-1]
    octets = np.bincount(polls.device[polls.of_sample[1:]], grown * same_port, minlength=n_devices)
    first, last = np.full(n_devices, np.iinfo(np.int64).max), np.zeros(n_devices, dtype=np.int64)
    np.minimum.at(first, polls.device, polls.at_ms)
    np.maximum.at(last, polls.device, polls.at_ms)
    return np.asarray(octets * 8000 / np.maximum(last - np.minimum(first, last), 1))


def _regular(polls: Polls, suspects: Truths, refresh_ms: Ints) -> tuple[Truths, Ints]:
    """Which suspects refresh at regular distances, and at how many polls at most; fills in `refresh_ms`."""
    n_devices = len(suspects)
    rows = np.flatnonzero(polls.moved & (polls.left < POLLS) & suspects[polls.device])
    device, number, at_ms = polls.device[rows], polls.number[rows], polls.at_ms[rows]
    pair = np.flatnonzero(device[1:] == device[:-1])
    steps, took = np.diff(number)[pair], np.diff(at_ms)[pair]
    longest, shortest = np.zeros(n_devices, dtype=np.int64), np.full(n_devices, np.iinfo(np.int64).max)
    np.maximum.at(longest, device[pair], steps)
    np.minimum.at(shortest, device[pair], steps)
    refreshes = np.bincount(device[pair], minlength=n_devices)
    repeats = np.bincount(device[pair], steps - 1, minlength=n_devices)
    slow = suspects & (refreshes >= FEWEST_REFRESHES - 1) & (repeats >= FEWEST_REPEATS)
    slow &= (longest - shortest <= 1) & _in_step(device, number, n_devices)
    mean_ms = np.bincount(device[pair], took, minlength=n_devices) / np.maximum(refreshes, 1)
    refresh_ms[slow] = np.rint(mean_ms[slow]).astype(np.int64)
    return slow, longest


def _in_step(device: npt.NDArray[np.integer], number: Ints, n_devices: int) -> Truths:
    """Devices whose refreshes, numbered by poll, keep to one beat: each within a poll of where it should be.

    A refresh of two and a half polls comes after two and after three of them in turn, not two
    twos and then two threes. That alone tells a beat from a load with pauses.
    """
    starts = np.flatnonzero(np.diff(device, prepend=-1))
    counts = np.diff(np.append(starts, len(device)))
    at = np.arange(len(device)) - np.repeat(starts, counts)
    first, last = np.repeat(number[starts], counts), np.repeat(number[starts + counts - 1], counts)
    beat = (last - first) / np.maximum(np.repeat(counts, counts) - 1, 1)
    off = np.abs(number - first - at * beat) >= 1
    return np.asarray(np.bincount(device[off], minlength=n_devices) == 0)


def _repeats(polls: Polls, slow: Truths, longest: Ints) -> Truths:
    """Polls of slow devices that repeat a refresh, or come before the first."""
    index = np.arange(len(polls.number))
    last_moved = np.maximum.accumulate(np.where(polls.moved, index, -1))
    own = last_moved >= index - polls.number  # of the same device
    since = index - last_moved
    return np.asarray(slow[polls.device] & ~polls.moved & (~own | (since < longest[polls.device])))
