"""Trends over HTTP: of one tank for a picture, and of every tank at a glance.

Minutes or hours of the ledger go together into steps, so many that they fit: nothing is left out of a step, nothing is
made up between them, and what was Bad or not there stays so.
"""

import asyncio
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any, NamedTuple

from gateway.errors import UsageError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.ledger.summaries import HOUR_S, MINUTE_S, TRENDED
from gateway.ledger.trends import Point, minutes_of_all, span_for, trend
from gateway.page_answers.parts import Parts, instant_of, made
from gateway.page_answers.times import Span, count_asked, span_asked
from gateway.payload.plain import iso_time
from gateway.records import Quality
from gateway.settings.reading.validation import suggestion
from gateway.web.interface.contract import Call, Made

__all__ = ["LONGEST", "MOST_POINTS", "Trends", "stepped"]

LONGEST = timedelta(days=400)
MOST_POINTS = 2000
_USUAL = timedelta(days=1)
_USUAL_POINTS = 600
_USUAL_FIGURES = "level"
_GLANCE_FIGURE = "level"
_GLANCE_STEP_S = 600
_GLANCE_POINTS = 36
_GOING_ON_S = 150
"""What is newer may not be in the file yet, and is no gap: a minute that is going on, and one that has just ended."""
_LATE_S = 1200
"""By when the records of a minute have come: whole steps."""
_UNITS = {definition.name: definition.unit for definition in FIGURE_DEFINITIONS}


class Step(NamedTuple):
    least: float | None
    greatest: float | None
    last: float | None
    worst: Quality | None
    """None: no record."""


_NOTHING = Step(None, None, None, None)


class Trends:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._glance: _Glance | None = None
        """The same for all who look."""
        self._turn = asyncio.Lock()

    async def trend(self, call: Call) -> Made:
        """`figures`: names of the sheet that have a trend, with commas between them."""
        parts = self._parts
        settings, now = parts.site(), parts.now()
        tank = parts.setup(call).plan.tank
        span = span_asked(settings.account, call.query, now, usual=_USUAL, longest=LONGEST)
        at_most = count_asked(call.query, "points", _USUAL_POINTS, 1, MOST_POINTS)
        figures = _figures(call.query.get("figures", _USUAL_FIGURES))
        begin_s, until_s, span_s, step_s = _grid(span, at_most)
        known_until_s = min(until_s, int(now.timestamp()) - _GOING_ON_S)
        head = {
            "schema": "tank-gateway/page-trend/1",
            "tank": tank,
            "time": iso_time(now),
            "simulated": settings.simulated,
            **span.told,
            "begin_s": begin_s,
            "step_s": step_s,
        }

        def told(connection: sqlite3.Connection) -> Made:
            """All of it by whoever reads: of nine figures in thousands of steps it would hold the loop up."""
            times = [iso_time(instant_of(at_s)) for at_s in range(begin_s, until_s, step_s)]
            found = {}
            for name, points in trend(connection, tank, figures, begin_s, until_s, span_s).items():
                steps = stepped(points, begin_s, until_s, step_s)
                gaps = _gaps(steps, begin_s, known_until_s, step_s)
                found[name] = {"unit": _UNITS[name], "times": times, **_columns(steps), "gaps": gaps}
            return made({**head, "figures": found})

        return await parts.read(told, is_fresh=False)

    async def small(self, _: Call) -> Made:
        """Made once a minute, whoever looks."""
        parts = self._parts
        until_s = int(parts.now().timestamp()) // MINUTE_S * MINUTE_S
        tanks = tuple(setup.plan.tank for setup in parts.site().tanks)
        async with self._turn:
            if self._glance is None or self._glance.of != (until_s, tanks):
                self._glance = await self._looked(until_s, tanks)
            return Made(self._glance.body)

    async def _looked(self, until_s: int, tanks: tuple[str, ...]) -> "_Glance":
        """What was read before and cannot be another is not read again, but for once an hour: records may come late."""
        before, settings = self._glance, self._parts.site()
        end_s = -(-until_s // _GLANCE_STEP_S) * _GLANCE_STEP_S
        begin_s = end_s - _GLANCE_STEP_S * _GLANCE_POINTS
        steps: dict[str, list[Step]] = {}
        from_s = begin_s
        if before is not None and before.goes_on(until_s, tanks):
            from_s = max(begin_s, before.of[0] // _GLANCE_STEP_S * _GLANCE_STEP_S - _LATE_S)
            gone, kept = (begin_s - before.begin_s) // _GLANCE_STEP_S, (from_s - before.begin_s) // _GLANCE_STEP_S
            steps = {tank: known[gone:kept] for tank, known in before.steps.items()}
        whole_s = until_s if before is None or from_s == begin_s else before.whole_s
        head = {
            "schema": "tank-gateway/page-small-trends/1",
            "time": iso_time(self._parts.now()),
            "simulated": settings.simulated,
            **Span(instant_of(begin_s), instant_of(end_s)).told,
            "begin_s": begin_s,
            "step_s": _GLANCE_STEP_S,
            "figure": _GLANCE_FIGURE,
            "unit": _UNITS[_GLANCE_FIGURE],
        }

        def looked(connection: sqlite3.Connection) -> _Glance:
            """All of it by whoever reads: of hundreds of tanks it would hold the loop up."""
            read = minutes_of_all(connection, _GLANCE_FIGURE, from_s, until_s)
            blank = [_NOTHING] * ((from_s - begin_s) // _GLANCE_STEP_S)
            found = {
                tank: [*steps.get(tank, blank), *stepped(read.get(tank, ()), from_s, end_s, _GLANCE_STEP_S)]
                for tank in tanks
            }
            document = {**head, "tanks": {tank: _columns(each) for tank, each in found.items()}}
            return _Glance((until_s, tanks), begin_s, whole_s, found, made(document).body)

        return await self._parts.read(looked, is_fresh=False)


class _Glance(NamedTuple):
    of: tuple[int, tuple[str, ...]]
    """Up to which minute, and of which tanks."""
    begin_s: int
    whole_s: int
    """When all of it was read."""
    steps: Mapping[str, list[Step]]
    body: bytes

    def goes_on(self, until_s: int, tanks: tuple[str, ...]) -> bool:
        """Whether the beginning of another one up to then is the same."""
        passed_s = until_s - self.of[0]
        return tanks == self.of[1] and 0 <= passed_s <= _LATE_S and until_s < self.whole_s + HOUR_S


def stepped(points: Iterable[Point], begin_s: int, until_s: int, step_s: int) -> list[Step]:
    """Points in order, put together by steps from `begin_s` on; a step without any has nothing."""
    steps = [_NOTHING] * (-(-(until_s - begin_s) // step_s))
    for start_s, least, greatest, last, worst in points:
        place = (start_s - begin_s) // step_s
        before = steps[place]
        if before.worst is None:
            steps[place] = Step(least, greatest, last, worst)
        else:
            steps[place] = Step(
                _of_both(min, before.least, least),
                _of_both(max, before.greatest, greatest),
                last,
                max(before.worst, worst),
            )
    return steps


def _grid(span: Span, points: int) -> tuple[int, int, int, int]:
    """(begin, until, what the ledger has, step), all in s: a step is whole minutes or hours, and begins at a multiple
    of itself, so that a picture that is asked for a little later has the same steps. There are no more than points."""
    begin_s, until_s = round(span.begin.timestamp()), round(span.until.timestamp())
    span_s = span_for(begin_s, until_s)
    # What does not begin at a multiple takes one step more.
    step_s = span_s * max(1, -(-(until_s - begin_s) // (span_s * max(1, points - 1))))
    if points > 1:
        begin_s = begin_s // step_s * step_s
    return begin_s, begin_s + -(-(until_s - begin_s) // step_s) * step_s, span_s, step_s


def _of_both(choose: Any, one: float | None, other: float | None) -> float | None:
    if one is None or other is None:
        return other if one is None else one
    chosen: float = choose(one, other)
    return chosen


def _columns(steps: Sequence[Step]) -> Mapping[str, Any]:
    return {
        "min": [_seven(step.least) for step in steps],
        "max": [_seven(step.greatest) for step in steps],
        "last": [_seven(step.last) for step in steps],
        "quality": [None if step.worst is None else step.worst.word for step in steps],
    }


def _seven(value: float | None) -> float | None:
    """Trends are kept as single-precision numbers, which have no more digits."""
    return None if value is None else float(f"{value:.7g}")


def _gaps(steps: Sequence[Step], begin_s: int, until_s: int, step_s: int) -> list[dict[str, str]]:
    """Up to `until_s`, of which there could be records."""
    found: list[dict[str, str]] = []
    since: int | None = None
    for place, step in enumerate([*steps, None]):
        is_gap = step is not None and step.worst is None
        at_s = min(begin_s + place * step_s, until_s)
        if is_gap and since is None:
            since = at_s
        elif not is_gap and since is not None and since < at_s:
            found.append({"from": iso_time(instant_of(since)), "until": iso_time(instant_of(at_s))})
        since = since if is_gap else None
    return found


def _figures(text: str) -> tuple[str, ...]:
    names = tuple(dict.fromkeys(each.strip() for each in text.split(",") if each.strip()))
    if not names:
        raise UsageError("figures: names none", f"these have a trend: {', '.join(TRENDED)}")
    for name in names:
        if name not in TRENDED:
            known = f"these have one: {', '.join(TRENDED)}"
            raise UsageError(f"figures: '{name}' has no trend", f"{suggestion(name, TRENDED)}; {known}")
    return names
