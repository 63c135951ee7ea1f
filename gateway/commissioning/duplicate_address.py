"""Pure: whether the values of one signal look like those of two devices that share one unit number, for a report.

Two devices with one address answer in turn, or over one another: the values jump to and fro between two places, and
frames break. A tank that is filled moves once from one place to another, and does not come back.
"""

from collections.abc import Sequence
from typing import NamedTuple

from gateway.acquisition.signals.suspicion import TwoPlaces, two_places

__all__ = ["TwoDevices", "two_devices"]

_BROKEN_SHARE = 0.01


class TwoDevices(NamedTuple):
    """Where the values stand, and how sure it is."""

    places: TwoPlaces
    frames_break: bool
    """Whether frames break as well, as they do when two devices answer at once."""


def two_devices(
    values: Sequence[float], broken_frames: int, requests: int, resolution: float = 0.0
) -> TwoDevices | None:
    """`values` in the order of reading; `resolution` is the least difference that means anything, in their unit.

    None when they do not fall into two places far apart, between which they switch to and fro.
    """
    places = two_places(values, resolution)
    if places is None:
        return None
    breaks = requests > 0 and broken_frames >= _BROKEN_SHARE * requests and broken_frames > 0
    return TwoDevices(places, breaks)
