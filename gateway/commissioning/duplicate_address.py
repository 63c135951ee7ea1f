"""Pure: whether the values of one signal look like those of two devices that share one unit number.

Two devices with one address answer in turn, or over one another: the values jump to and fro between two places, and
frames break. A tank that is filled moves once from one place to another, and does not come back.
"""

from collections.abc import Sequence
from itertools import pairwise
from statistics import fmean
from typing import NamedTuple

__all__ = ["TwoDevices", "two_devices"]

_FEWEST = 8
_SMALLER_SHARE = 0.2
_GAP_TIMES = 8.0
_FEWEST_SWITCHES = 4
_BROKEN_SHARE = 0.01


class TwoDevices(NamedTuple):
    """Where the values stand, and how sure it is."""

    low: float
    high: float
    switches: int
    """How often the values went from one place to the other."""
    frames_break: bool
    """Whether frames break as well, as they do when two devices answer at once."""


def two_devices(
    values: Sequence[float], broken_frames: int, requests: int, resolution: float = 0.0
) -> TwoDevices | None:
    """`values` in the order of reading; `resolution` is the least difference that means anything, in their unit.

    None when they do not fall into two places far apart, between which they switch to and fro.
    """
    if len(values) < _FEWEST:
        return None
    ordered = sorted(values)
    gap, place = max((high - low, index + 1) for index, (low, high) in enumerate(pairwise(ordered)))
    low, high = ordered[:place], ordered[place:]
    within = max(low[-1] - low[0], high[-1] - high[0], resolution)
    if min(len(low), len(high)) < _SMALLER_SHARE * len(values) or gap <= _GAP_TIMES * within:
        return None
    border = low[-1] + gap / 2.0
    sides = [value > border for value in values]
    switches = sum(before != after for before, after in pairwise(sides))
    if switches < _FEWEST_SWITCHES:
        return None
    breaks = requests > 0 and broken_frames >= _BROKEN_SHARE * requests and broken_frames > 0
    return TwoDevices(fmean(low), fmean(high), switches, breaks)
