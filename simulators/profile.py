"""Temperature over height: one profile in the liquid, one in the vapour above it. Metres and degrees Celsius."""

from bisect import bisect_left
from collections.abc import Callable, Iterable

__all__ = ["Profile"]


class Profile:
    """Temperatures at rising heights; straight lines between them, constant beyond both ends."""

    __slots__ = ("heights_m", "temperatures_c")

    def __init__(self, points: Iterable[tuple[float, float]]) -> None:
        ordered = sorted(points)
        if not ordered:
            raise ValueError("a temperature profile needs at least one point")
        self.heights_m = [height for height, _ in ordered]
        self.temperatures_c = [temperature for _, temperature in ordered]

    def at(self, height_m: float) -> float:
        """Temperature at a height, degC; exactly the point's own where a point stands."""
        heights, temperatures = self.heights_m, self.temperatures_c
        if height_m <= heights[0]:
            return temperatures[0]
        if height_m >= heights[-1]:
            return temperatures[-1]
        upper = bisect_left(heights, height_m)
        if heights[upper] == height_m:
            return temperatures[upper]
        share = (height_m - heights[upper - 1]) / (heights[upper] - heights[upper - 1])
        return temperatures[upper - 1] + share * (temperatures[upper] - temperatures[upper - 1])

    def mean(self, level_m: float, volume: Callable[[float], float]) -> float:
        """Mean of the points up to the level, weighted by the volume nearest to each (boundaries midway), degC."""
        temperatures = self.temperatures_c
        wet = max(1, sum(1 for height in self.heights_m if height <= level_m))
        first = temperatures[0]
        if wet == 1 or all(temperature == first for temperature in temperatures[:wet]):
            return first
        total = weighted = 0.0
        below = volume(0.0)
        for index in range(wet):
            top = level_m if index == wet - 1 else 0.5 * (self.heights_m[index] + self.heights_m[index + 1])
            reached = volume(top)
            total += reached - below
            weighted += (reached - below) * temperatures[index]
            below = reached
        return weighted / total if total > 0 else first

    def shift(self, share: float, towards_c: float) -> None:
        """Move every temperature the given share (0 to 1) of its way towards another: mixing, or cooling to ambient."""
        self.temperatures_c = [value + (towards_c - value) * share for value in self.temperatures_c]

    def warm(self, rise_k: float) -> None:
        """Raise every temperature by the same difference."""
        self.temperatures_c = [value + rise_k for value in self.temperatures_c]

    def forget_above(self, level_m: float) -> None:
        """Drop the points the surface has left behind, all but the lowest."""
        kept = max(1, sum(1 for height in self.heights_m if height <= level_m))
        del self.heights_m[kept:], self.temperatures_c[kept:]

    def forget_below(self, level_m: float) -> None:
        """Drop the points the surface has covered, all but the highest."""
        gone = min(len(self.heights_m) - 1, sum(1 for height in self.heights_m if height <= level_m))
        del self.heights_m[:gone], self.temperatures_c[:gone]
