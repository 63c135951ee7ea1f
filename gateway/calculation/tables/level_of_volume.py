"""The level at which a tank holds a volume: a shape or a capacity table read the other way round."""

from gateway.calculation.contracts import Capacity
from gateway.calculation.limits import outside

__all__ = ["level_of_volume"]

_HALVINGS = 60
"""Of 100 m that is less than a level in binary resolves."""


def level_of_volume(capacity: Capacity, volume_m3: float) -> float:
    """The lowest level in m with at least `volume_m3` (heel included), by bisection.

    Raises LimitError for a volume that the tank has at no level between bottom and top: never extrapolated.
    """
    below_m, above_m = capacity.bottom_m, capacity.top_m
    least_m3, most_m3 = capacity.volume(below_m), capacity.volume(above_m)
    if not least_m3 <= volume_m3 <= most_m3:
        raise outside("volume", volume_m3, "m3", least_m3, most_m3, capacity.clause)
    if volume_m3 == least_m3:
        return below_m
    for _ in range(_HALVINGS):
        middle_m = (below_m + above_m) / 2.0
        if not below_m < middle_m < above_m:
            break
        if capacity.volume(middle_m) >= volume_m3:
            above_m = middle_m
        else:
            below_m = middle_m
    return above_m
