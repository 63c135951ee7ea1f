"""How what follows the air lags behind it: two layers, one quick and one slow, between which every other one lies."""

import math
from typing import NamedTuple

from gateway.plain_form import SteadyTime

__all__ = ["Air", "next_air"]

_QUICK_H, _SLOW_H = 2.0, 8.0
_KNOWN_AFTER_S = 16.0 * 3600.0
"""What the slow layer was at first no longer counts: an eighth of it is left."""
_FORGOTTEN_S = 6.0 * 3600.0
"""Not told for so long, the air is not known."""


class Air(NamedTuple):
    """Temperatures in degC."""

    quick_c: float
    slow_c: float
    since_s: SteadyTime
    """Told without a long break since then."""
    told_s: SteadyTime
    """Last."""

    def is_known(self, now_s: float) -> bool:
        """Whether both layers stand for the air of now."""
        return now_s - self.since_s >= _KNOWN_AFTER_S


def next_air(before: Air | None, air_c: float | None, now_s: float) -> Air | None:
    """With the mean of the air over the last hour; None: it was not told."""
    if before is not None and not 0.0 <= now_s - before.told_s <= _FORGOTTEN_S:
        before = None
    if air_c is None:
        return before
    if before is None:
        return Air(air_c, air_c, now_s, now_s)
    hours = (now_s - before.told_s) / 3600.0
    quick_c = air_c + (before.quick_c - air_c) * math.exp(-hours / _QUICK_H)
    slow_c = air_c + (before.slow_c - air_c) * math.exp(-hours / _SLOW_H)
    return Air(quick_c, slow_c, before.since_s, now_s)
