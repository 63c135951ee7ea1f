"""Pure: what the counts of a line say about it, in plain words, and what to do. The limits are common practice."""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from math import inf
from typing import NamedTuple

__all__ = ["Finding", "InstrumentCounts", "LineCounts", "Weight", "bound_text", "judge_line", "quantile_bound"]

_FULL = 0.85
_BUSY = 0.60
_OFTEN = 0.02
"""Share of requests that go wrong from which on it is more than chance."""
_FEWEST = 5
"""Failures of a kind that are told, once the share is reached."""
_SLOW_TIMES = 5.0
_SLOW_S = 0.05

_ITS_WIRING = "its supply, its unit number, baud rate and the two wires"

_SILENCES = ("no_answer", "target_silent", "path_unavailable")
"""The latter two are told by a gateway on the way."""
_BUSINESS = ("device_busy", "device_still_working")
_SHIFTED = "answers_shifted"
_BROKEN = "bad_frame"
_EXCEPTION = "device_exception"
_UNCONNECTED = "no_connection"


class InstrumentCounts(NamedTuple):
    """How one instrument answered within a window of time."""

    instrument: str
    requests: int
    errors: Mapping[str, int]
    """By reason code."""
    buckets: tuple[tuple[float, int], ...]
    """(upper bound in s, answers within it), cumulative; the last bound is infinity."""
    answering_s: float
    """Sum of its response times."""
    up: bool = True
    """Whether its last poll was answered in full."""

    @property
    def answers(self) -> int:
        return self.buckets[-1][1] if self.buckets else 0


class LineCounts(NamedTuple):
    """One line within a window of time."""

    line: str
    connected: bool
    window_s: float
    busy_s: float
    late_answers: int
    unsolicited_frames: int
    instruments: tuple[InstrumentCounts, ...]
    on_standby: bool = False
    connections_wanted: int = 1
    connections_open: int = 1
    second_answers: int = 0
    shifts: int = 0
    """How often answers began to stay behind their requests."""

    @property
    def occupancy(self) -> float:
        return self.busy_s / self.window_s if self.window_s > 0.0 else 0.0


class Weight(StrEnum):
    ACT = "act"
    LOOK = "look"


class Finding(NamedTuple):
    weight: Weight
    subject: str
    """A line or an instrument."""
    what: str
    to_do: str


def quantile_bound(buckets: Sequence[tuple[float, int]], share: float) -> float | None:
    """The lowest bound, in s, within which at least that share of the answers came; infinity beyond the last bound,
    None without an answer."""
    if not buckets or buckets[-1][1] == 0:
        return None
    wanted = share * buckets[-1][1]
    return next(bound for bound, count in buckets if count >= wanted)


def bound_text(bound_s: float | None, buckets: Sequence[tuple[float, int]]) -> str:
    """Such as `within 5 ms`, or `over 5 s` for the last."""
    if bound_s is None:
        return "-"
    if bound_s == inf:
        finite = [bound for bound, _ in buckets if bound != inf]
        return f"over {finite[-1]:g} s" if finite else "-"
    return f"within {bound_s * 1000:g} ms" if bound_s < 1.0 else f"within {bound_s:g} s"


def judge_line(counts: LineCounts) -> list[Finding]:
    """Everything worth telling, what must be acted on first."""
    found = [
        *_of_connection(counts),
        *_of_ways(counts),
        *_of_occupancy(counts),
        *_of_shifted_answers(counts),
        *_of_foreign_frames(counts),
        *_of_broken_frames(counts),
        *(finding for instrument in counts.instruments for finding in _of_instrument(counts, instrument)),
    ]
    return sorted(found, key=lambda finding: finding.weight is not Weight.ACT)


def _of_connection(counts: LineCounts) -> list[Finding]:
    if counts.connected:
        return []
    return [
        Finding(
            Weight.ACT,
            counts.line,
            "is not connected",
            "look at the converter's or device's supply and network, its address, and whether another client holds its "
            "connections; of a serial port, at its plug, its name, and whether the program may open it (group dialout)",
        )
    ]


def _of_ways(counts: LineCounts) -> list[Finding]:
    found = []
    if counts.on_standby:
        what = "runs over its second way: the first is lost"
        to_do = "look at the supply and network of the first way's converter or device before the second is lost too"
        found.append(Finding(Weight.ACT, counts.line, what, to_do))
    if counts.connected and counts.connections_open < counts.connections_wanted:
        what = f"has {counts.connections_open} of {counts.connections_wanted} connections"
        to_do = (
            f"look whether another client holds connections of the device; where it takes no more, give connections: "
            f"{counts.connections_open}"
        )
        found.append(Finding(Weight.LOOK, counts.line, what, to_do))
    return found


def _of_occupancy(counts: LineCounts) -> list[Finding]:
    if counts.occupancy < _BUSY:
        return []
    what = f"is busy {min(counts.occupancy, 1.0):.0%} of the time"
    if counts.occupancy >= _FULL:
        to_do = "lengthen periods, raise the baud rate or move instruments to another line: polls come late"
        return [Finding(Weight.ACT, counts.line, what, to_do)]
    return [Finding(Weight.LOOK, counts.line, what, "add no more instruments before making room")]


def _of_shifted_answers(counts: LineCounts) -> list[Finding]:
    refused = sum(_errors(one, _SHIFTED) for one in counts.instruments)
    if not counts.shifts and not refused:
        return []
    what = f"brought answers to earlier requests only, {refused} times: nothing of them was taken"
    to_do = (
        "switch its converter or radio off and on: it keeps answers and hands each to the next request; lengthen the "
        "time-outs beyond its slowest answer, so that it does not begin again"
    )
    return [Finding(Weight.ACT, counts.line, what, to_do)]


def _of_foreign_frames(counts: LineCounts) -> list[Finding]:
    found = []
    if counts.unsolicited_frames:
        found.append(
            Finding(
                Weight.ACT,
                counts.line,
                f"brought {_frames(counts.unsolicited_frames)} that nobody here asked for: perhaps a second master",
                "look for a laptop, panel or control system on the same wires; a line bears one master",
            )
        )
    if counts.second_answers:
        what = f"brought {counts.second_answers} second answers to a request"
        to_do = "look for another master that reads the same, and for two devices with one unit number"
        found.append(Finding(Weight.ACT, counts.line, what, to_do))
    if counts.late_answers:
        found.append(
            Finding(
                Weight.LOOK,
                counts.line,
                f"brought {counts.late_answers} answers after their time-out",
                "lengthen the time-out beyond the slowest answer; look whether a converter holds requests back for "
                "another client",
            )
        )
    return found


def _of_broken_frames(counts: LineCounts) -> list[Finding]:
    """Broken frames of one instrument are its own; of most of a line, they are the line's."""
    broken = [one for one in counts.instruments if _often(one.errors.get(_BROKEN, 0), one.requests)]
    heard = [one for one in counts.instruments if one.answers or one.errors.get(_BROKEN, 0)]
    if len(broken) > 1 and 2 * len(broken) >= len(heard):
        number = sum(one.errors[_BROKEN] for one in broken)
        return [
            Finding(
                Weight.ACT,
                counts.line,
                f"brought {number} broken frames, from {len(broken)} of {len(heard)} instruments",
                "look at termination, screen, baud rate and parity, noise from drives, and for a second master",
            )
        ]
    return [
        Finding(
            Weight.ACT,
            one.instrument,
            f"sent {one.errors[_BROKEN]} broken frames in {one.requests} requests",
            "look for two devices with its unit number, its wiring, and its own baud rate and parity",
        )
        for one in broken
    ]


def _of_instrument(counts: LineCounts, one: InstrumentCounts) -> list[Finding]:
    asked = one.requests - one.errors.get(_UNCONNECTED, 0)
    silent = _errors(one, *_SILENCES)
    if not one.answers and silent == asked and (asked or (counts.connected and not one.requests)):
        return [_unheard(one, asked)]
    found = []
    if _often(silent, one.requests):
        found.append(
            Finding(
                Weight.LOOK,
                one.instrument,
                f"left {silent} of {one.requests} requests unanswered",
                "lengthen its time-out or its period; look at its wiring",
            )
        )
    busy = _errors(one, *_BUSINESS)
    if _often(busy, one.requests):
        found.append(
            Finding(
                Weight.LOOK,
                one.instrument,
                f"was busy at {busy} of {one.requests} requests",
                "lengthen its period; look whether another master asks it, or someone is at its keys",
            )
        )
    refused = one.errors.get(_EXCEPTION, 0)
    if refused:
        found.append(
            Finding(
                Weight.LOOK,
                one.instrument,
                f"answered {refused} of {one.requests} requests with an exception",
                "compare its register map with its manual: `tank-gateway registers` shows what it has",
            )
        )
    return found + _of_slowness(counts, one)


def _unheard(one: InstrumentCounts, asked: int) -> Finding:
    """Of an instrument without any answer: how sure that makes us depends on how often it was asked."""
    if asked > 1:
        what = f"is dead: no answer to any of {asked} requests"
        return Finding(Weight.ACT, one.instrument, what, f"look at {_ITS_WIRING}")
    if one.up:
        return Finding(Weight.LOOK, one.instrument, "was not asked in this time", "watch for longer than its period")
    what = "did not answer the one time it was asked" if asked else "does not answer, and was not asked in this time"
    return Finding(Weight.ACT, one.instrument, what, f"watch for longer; if it stays so, look at {_ITS_WIRING}")


def _of_slowness(counts: LineCounts, one: InstrumentCounts) -> list[Finding]:
    own = quantile_bound(one.buckets, 0.5)
    others = sorted(
        bound
        for other in counts.instruments
        if other is not one and (bound := quantile_bound(other.buckets, 0.5)) is not None
    )
    if own is None or not others:
        return []
    usual = others[len(others) // 2]
    if own < _SLOW_S or own < _SLOW_TIMES * usual:
        return []
    share = one.answering_s / counts.busy_s if counts.busy_s > 0.0 else 0.0
    return [
        Finding(
            Weight.LOOK,
            one.instrument,
            f"is slow: half of its answers come {bound_text(own, one.buckets)}, those of the others "
            f"{bound_text(usual, one.buckets)}; it takes {min(share, 1.0):.0%} of the line's busy time",
            "give it a longer period or a line of its own",
        )
    ]


def _errors(one: InstrumentCounts, *kinds: str) -> int:
    return sum(one.errors.get(kind, 0) for kind in kinds)


def _often(failures: int, requests: int) -> bool:
    return failures >= _FEWEST and failures >= _OFTEN * requests


def _frames(number: int) -> str:
    return "1 frame" if number == 1 else f"{number} frames"
