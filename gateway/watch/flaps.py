"""What comes and goes faster than the delay of its alarm: how much of the last minutes it was away.

An outage that is shorter than the delay is told to nobody, which is meant; one that comes back again and again is. So
that one long outage is not taken for many, it has to have gone away several times.
"""

from typing import NamedTuple

from gateway.plain_form import SteadyTime

__all__ = ["NO_FLAP", "WINDOW_S", "Flap", "is_settled", "next_flap", "share_away", "unsettled"]

WINDOW_S = 600.0
_PART_S = 60.0
_PARTS = 10
_TIMES = 3
"""Goes away so often within the window."""
_FROM, _BELOW = 0.2, 0.1
"""Of the window: from the one share on it counts as away, below the other no more (common practice)."""
_UNSEEN_S = 30.0
"""Nobody looked for so long: what was between nobody knows, and it counts as there."""


class Flap(NamedTuple):
    """What is remembered of one line or destination. NO_FLAP: it was there all the time."""

    is_away: bool = False
    looked_s: SteadyTime | None = None
    begun_s: SteadyTime = 0.0
    """When the newest part of the window began."""
    away_s: tuple[float, ...] = ()
    """In each part of the window, the oldest first."""
    gone: tuple[int, ...] = ()
    """How often it went away in each."""


NO_FLAP = Flap()


def next_flap(memory: Flap, is_away: bool, steady_s: float) -> Flap:
    """One look more."""
    if memory.looked_s is None:
        return NO_FLAP._replace(is_away=is_away, looked_s=steady_s, begun_s=steady_s, away_s=(0.0,), gone=(0,))
    passed_s = steady_s - memory.looked_s
    away_s, gone = list(memory.away_s), list(memory.gone)
    if memory.is_away and passed_s <= _UNSEEN_S:
        away_s[-1] += passed_s
    parts = int((steady_s - memory.begun_s) / _PART_S)
    if parts > 0:
        added = min(parts, _PARTS)
        away_s = [*away_s, *[0.0] * added][-_PARTS:]
        gone = [*gone, *[0] * added][-_PARTS:]
    gone[-1] += is_away and not memory.is_away
    return Flap(is_away, steady_s, memory.begun_s + parts * _PART_S, tuple(away_s), tuple(gone))


def share_away(memory: Flap) -> float:
    """Of the window, 0 to 1."""
    return min(1.0, sum(memory.away_s) / WINDOW_S)


def unsettled(memory: Flap) -> bool:
    """Whether it comes and goes so much that it is as good as away."""
    return sum(memory.gone) >= _TIMES and share_away(memory) >= _FROM


def is_settled(memory: Flap) -> bool:
    """Whether it surely does so no more."""
    return sum(memory.gone) < _TIMES or share_away(memory) < _BELOW
