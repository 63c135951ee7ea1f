"""Too many alarms at once for one person to follow: when that begins and ends.

A flood begins when more than ten alarms were raised within ten minutes, and ends when fewer than five were: the figures
of ISA-18.2 / IEC 62682 and EEMUA 191, as quoted publicly. What is hidden is not counted: nobody is told of it. Neither
is what a person acknowledges or what returns.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from gateway.plain_form import SteadyTime
from gateway.reasons import Reason, ReasonCode, because
from gateway.tank_record import Event, EventKind

__all__ = ["BEGINS_ABOVE", "ENDS_BELOW", "NO_FLOOD", "WINDOW_S", "FloodMemory", "next_flood"]

WINDOW_S = 600.0
BEGINS_ABOVE = 10
ENDS_BELOW = 5


class FloodMemory(NamedTuple):
    """What is remembered of the alarms of a whole site."""

    raised_s: tuple[SteadyTime, ...] = ()
    """Of the last alarms, no more than tell whether there is a flood, the newest last."""
    began: datetime | None = None
    """UTC, when the flood began that goes on; None: there is none."""
    alarms: int = 0
    """Of that flood, from the first within its first window on."""


NO_FLOOD = FloodMemory()


def next_flood(
    memory: FloodMemory, events: Iterable[Event], instant: datetime, steady_s: float
) -> tuple[FloodMemory, tuple[Event, ...]]:
    """How it is remembered, and what has begun or ended. `events`: all of the site since the last time, of any kind."""
    new = sum(event.kind is EventKind.ALARM_RAISED for event in events)
    recent = [time_s for time_s in memory.raised_s if steady_s - time_s < WINDOW_S]
    if not new and len(recent) == len(memory.raised_s):
        return memory, ()
    raised_s = tuple([*recent, *[steady_s] * new][-BEGINS_ABOVE - 1 :])
    if memory.began is not None:
        if len(raised_s) >= ENDS_BELOW:
            return FloodMemory(raised_s, memory.began, memory.alarms + new), ()
        return FloodMemory(raised_s), (_event(EventKind.ALARM_FLOOD_ENDED, instant, _ended(memory.alarms + new)),)
    within = len(recent) + new
    if within <= BEGINS_ABOVE:
        return FloodMemory(raised_s), ()
    began = _event(EventKind.ALARM_FLOOD_BEGAN, instant, _began(within))
    return FloodMemory(raised_s, instant, within), (began,)


def _event(kind: EventKind, instant: datetime, reason: Reason) -> Event:
    return Event(kind, instant, reason=reason)


def _began(alarms: int) -> Reason:
    return because(
        ReasonCode.ALARM_FLOOD,
        "{alarms} alarms within {window:duration}: more than anyone can follow, so see to the first of them",
        alarms=alarms,
        window=WINDOW_S,
    )


def _ended(alarms: int) -> Reason:
    return because(ReasonCode.ALARM_FLOOD, "the flood of {alarms} alarms is over", alarms=alarms)
