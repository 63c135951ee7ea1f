"""Density against temperature: a straight line or a table with its source. A reference volume only where declared."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

from gateway.calculation.limits import outside, require_finite, require_within
from gateway.calculation.methods.by_temperature import DensityByTemperature
from gateway.calculation.methods.monotone_cubic import hermite, monotone_slopes
from gateway.errors import LimitError

__all__ = ["MAY_RISE", "Interpolation", "LinearDensity", "TabulatedDensity", "refuse_rise"]

_DENSITY = (100.0, 3000.0)


MAY_RISE = "where it truly rises, as water does below 4 degC, say may_rise: yes"


def refuse_rise(temperatures_c: Sequence[float], values: Sequence[float], what: str, remedy: str, clause: str) -> None:
    """Raises LimitError where one of `values` (kg/m3, one for each rising temperature) is above the one before it.

    `remedy` is added to what is said: what to do where it is no slip.
    """
    for (cold_c, before), (warm_c, after) in pairwise(zip(temperatures_c, values, strict=True)):
        if after > before:
            limit = f"above {before:.7g} kg/m3 at {cold_c:.4g} degC, and a liquid grows lighter as it warms{remedy}"
            raise LimitError(f"{what} at {warm_c:.4g} degC", after, "kg/m3", limit, clause)


@dataclass(frozen=True, slots=True)
class LinearDensity(DensityByTemperature):
    """density(T) = density + slope (T - temperature_c), in kg/m3 and degC, within lowest_c..highest_c.

    `slope_per_c` is the signed change per degC, so it is negative for a liquid that expands; a rising density is
    refused as a mistaken sign. Raises LimitError outside the range.
    """

    density: float
    temperature_c: float
    slope_per_c: float
    lowest_c: float
    highest_c: float
    source: str
    reference_temperature_c: float | None = None
    reference_density: float | None = field(init=False)

    def __post_init__(self) -> None:
        require_finite("temperature of the density", self.temperature_c, "degC", self.clause)
        require_within("lowest temperature", self.lowest_c, "degC", -273.15, 500.0, self.clause)
        require_within("highest temperature", self.highest_c, "degC", self.lowest_c, 500.0, self.clause)
        require_within("slope of the density", self.slope_per_c, "kg/m3 per degC", -20.0, 0.0, self.clause)
        for end_c in (self.lowest_c, self.highest_c):
            require_within(f"density at {end_c:.4g} degC", self.density_at(end_c), "kg/m3", *_DENSITY, self.clause)
        reference_c = self.reference_temperature_c
        object.__setattr__(self, "reference_density", None if reference_c is None else self.density_at(reference_c))

    @property
    def clause(self) -> str:
        return f"density linear in temperature: {self.source}"

    def density_at(self, temperature_c: float) -> float:
        """Density in kg/m3 at `temperature_c` (degC). Raises LimitError outside lowest_c..highest_c."""
        if not self.lowest_c <= temperature_c <= self.highest_c:
            raise outside("liquid temperature", temperature_c, "degC", self.lowest_c, self.highest_c, self.clause)
        return self.density + self.slope_per_c * (temperature_c - self.temperature_c)


class Interpolation(StrEnum):
    """What is drawn between the points of a table."""

    LINEAR = "linear"
    MONOTONE_CUBIC = "monotone_cubic"


@dataclass(frozen=True, slots=True)
class TabulatedDensity(DensityByTemperature):
    """Density in kg/m3 at listed temperatures in degC; nothing beyond the ends.

    Between the points either straight lines or, for a laboratory's few points, a monotone cubic. Temperatures rise
    strictly; at least two points, three for the cubic. A density that rises with temperature is refused as a slip,
    unless `may_rise` says that it truly does (water below 4 degC). Everything else as for `LinearDensity`.
    """

    temperatures_c: tuple[float, ...]
    densities: tuple[float, ...]
    source: str
    reference_temperature_c: float | None = None
    interpolation: Interpolation = Interpolation.LINEAR
    may_rise: bool = False
    reference_density: float | None = field(init=False)
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        points = len(self.temperatures_c)
        if points != len(self.densities) or points < 2:
            limit = f"not matched by as many densities ({len(self.densities)}), two or more"
            raise LimitError("number of temperatures", points, "1", limit, self.clause)
        for density in self.densities:
            require_within("density in the table", density, "kg/m3", *_DENSITY, self.clause)
        previous_c = -273.15
        for temperature_c in self.temperatures_c:
            require_within("temperature in the table", temperature_c, "degC", -273.15, 500.0, self.clause)
            if temperature_c <= previous_c:
                limit = f"not above the one before it, {previous_c:.7g} degC"
                raise LimitError("temperature in the table", temperature_c, "degC", limit, self.clause)
            previous_c = temperature_c
        if not self.may_rise:
            refuse_rise(self.temperatures_c, self.densities, "density", f"; {MAY_RISE}", self.clause)
        if self.interpolation is Interpolation.MONOTONE_CUBIC:
            if points < 3:
                raise LimitError("number of temperatures", points, "1", "below the 3 a cubic needs", self.clause)
            object.__setattr__(self, "_slopes", monotone_slopes(self.temperatures_c, self.densities))
        else:
            object.__setattr__(self, "_slopes", ())
        reference_c = self.reference_temperature_c
        object.__setattr__(self, "reference_density", None if reference_c is None else self.density_at(reference_c))

    @property
    def clause(self) -> str:
        return f"density against temperature: {self.source}"

    def density_at(self, temperature_c: float) -> float:
        """Density in kg/m3 at `temperature_c` (degC). Raises LimitError outside the table."""
        temperatures = self.temperatures_c
        if not temperatures[0] <= temperature_c <= temperatures[-1]:
            raise outside("liquid temperature", temperature_c, "degC", temperatures[0], temperatures[-1], self.clause)
        upper = min(bisect_right(temperatures, temperature_c), len(temperatures) - 1)
        lower = upper - 1
        width = temperatures[upper] - temperatures[lower]
        share = (temperature_c - temperatures[lower]) / width
        low, high = self.densities[lower], self.densities[upper]
        if self._slopes:
            return hermite(share, width, low, high, self._slopes[lower], self._slopes[upper])
        return low + share * (high - low)
