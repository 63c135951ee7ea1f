"""Which part of the liquid each temperature element speaks for: slices with boundaries midway between elements."""

from itertools import pairwise

from gateway.calculation.contracts import Capacity

__all__ = ["farthest_m", "height_weights", "volume_weights"]


def farthest_m(heights_m: list[float], lowest_m: float, level_m: float) -> float:
    """How far the liquid from `lowest_m` to `level_m` reaches from the nearest of `heights_m` (rising) at most, m."""
    farthest = max(heights_m[0] - lowest_m, level_m - heights_m[-1])
    for below, above in pairwise(heights_m):
        if above - below > 2.0 * farthest:
            farthest = (above - below) / 2.0
    return farthest


def height_weights(heights_m: list[float], lowest_m: float, level_m: float) -> list[float]:
    """Share of the height from `lowest_m` to `level_m` around each of `heights_m` (rising). They sum to 1."""
    borders = [lowest_m, *[min(max((a + b) / 2.0, lowest_m), level_m) for a, b in pairwise(heights_m)], level_m]
    return _shares(borders)


def volume_weights(heights_m: list[float], water_m: float | None, level_m: float, capacity: Capacity) -> list[float]:
    """Share of the volume around each of `heights_m` (rising), from the free water, or the bottom with any heel, to the
    surface. They sum to 1."""
    # Weights are shares: outside the table the volume itself is Bad, and the nearest defined slice will do for a share.
    level_m = min(max(level_m, capacity.bottom_m), capacity.top_m)
    bottom_m3 = 0.0 if water_m is None else capacity.volume(min(max(water_m, capacity.bottom_m), level_m))
    borders = [bottom_m3]
    for lower_m, upper_m in pairwise(heights_m):
        middle_m = min(max((lower_m + upper_m) / 2.0, capacity.bottom_m), level_m)
        borders.append(max(capacity.volume(middle_m), bottom_m3))
    borders.append(capacity.volume(level_m))
    return _shares(borders)


def _shares(borders: list[float]) -> list[float]:
    whole = borders[-1] - borders[0]
    if whole <= 0.0:
        return [1.0 / (len(borders) - 1)] * (len(borders) - 1)
    return [(above - below) / whole for below, above in pairwise(borders)]
