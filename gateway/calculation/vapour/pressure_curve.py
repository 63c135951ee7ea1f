"""Vapour pressure of a liquid against its temperature, from points or from its composition, and the vapour over it."""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

from gateway.calculation.limits import outside, require_within
from gateway.calculation.vapour import equation_of_state
from gateway.calculation.vapour.equation_of_state import bubble_point
from gateway.calculation.vapour.mixture import KELVIN_0C, Component
from gateway.errors import LimitError

__all__ = ["COMPOSITION_SUM_WITHIN", "VapourPressureCurve", "curve_of_composition"]

_PRESSURE_PA = (10.0, 5e6)
_TEMPERATURE_C = (-200.0, 200.0)
# Between 5 degC the logarithm against 1/T is straight within 0.03 %.
_STEP_C = 5
_COLDEST_C, _HOTTEST_C = -50, 80
COMPOSITION_SUM_WITHIN = 0.005
"""How far the fractions of a certificate may be from 1 by rounding."""


@dataclass(frozen=True, slots=True)
class VapourPressureCurve:
    """Absolute pressures in Pa at listed temperatures in degC, both rising; nothing beyond the ends.

    Between two points ln P is straight in 1/T (Clausius and Clapeyron). Two points or more within -200..200 degC and
    10 Pa..5 MPa. Raises LimitError.
    """

    temperatures_c: tuple[float, ...]
    pressures_pa: tuple[float, ...]
    source: str
    components: tuple[Component, ...] = ()
    """Of the liquid and of its vapour; none where the curve is all that is known."""
    vapours: tuple[tuple[float, ...], ...] = ()
    """Mole fractions of the vapour in equilibrium at each temperature, in the order of `components`."""
    _inverses: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _logarithms: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        points = len(self.temperatures_c)
        if points != len(self.pressures_pa):
            limit = f"not that of the pressures, {len(self.pressures_pa)}"
            raise LimitError("number of temperatures", points, "1", limit, self.clause)
        if points < 2:
            raise LimitError("number of points", points, "1", "below the 2 that a curve needs", self.clause)
        lowest_c, least_pa = _TEMPERATURE_C[0] - 1.0, 0.0
        for temperature_c, pressure_pa in zip(self.temperatures_c, self.pressures_pa, strict=True):
            require_within("temperature in the curve", temperature_c, "degC", *_TEMPERATURE_C, self.clause)
            require_within("pressure in the curve, absolute", pressure_pa, "Pa", *_PRESSURE_PA, self.clause)
            if temperature_c <= lowest_c:
                limit = f"not above the one before it, {lowest_c:.7g} degC"
                raise LimitError("temperature in the curve", temperature_c, "degC", limit, self.clause)
            if pressure_pa <= least_pa:
                limit = f"not above the one before it, {least_pa:.7g} Pa"
                raise LimitError("pressure in the curve, absolute", pressure_pa, "Pa", limit, self.clause)
            lowest_c, least_pa = temperature_c, pressure_pa
        inverses = tuple([1.0 / (temperature_c + KELVIN_0C) for temperature_c in self.temperatures_c])
        object.__setattr__(self, "_inverses", inverses)
        object.__setattr__(self, "_logarithms", tuple([math.log(pressure_pa) for pressure_pa in self.pressures_pa]))

    @property
    def clause(self) -> str:
        return f"vapour pressure: {self.source}"

    def pressure(self, temperature_c: float) -> float:
        """Vapour pressure in Pa absolute of the liquid at `temperature_c` (degC). Raises LimitError beyond the ends."""
        upper = self._upper(temperature_c)
        inverses, logarithms = self._inverses, self._logarithms
        here, low = 1.0 / (temperature_c + KELVIN_0C), inverses[upper - 1]
        share = (here - low) / (inverses[upper] - low)
        return math.exp(logarithms[upper - 1] + share * (logarithms[upper] - logarithms[upper - 1]))

    def require_reach(self, temperature_c: float, inside_c: float) -> None:
        """Raises LimitError unless `temperature_c` (degC) lies within the curve, by `inside_c` from its ends."""
        low_c, high_c = self.temperatures_c[0] + inside_c, self.temperatures_c[-1] - inside_c
        require_within("liquid temperature", temperature_c, "degC", low_c, high_c, self.clause)

    def vapour(self, temperature_c: float) -> tuple[float, ...]:
        """Mole fractions of the vapour in equilibrium with the liquid at `temperature_c` (degC).

        Raises LimitError outside the curve, and where no composition is known.
        """
        if not self.vapours:
            raise LimitError("number of components", 0, "1", "not enough to tell what the vapour is", self.clause)
        upper = self._upper(temperature_c)
        low_c = self.temperatures_c[upper - 1]
        share = (temperature_c - low_c) / (self.temperatures_c[upper] - low_c)
        below, above = self.vapours[upper - 1], self.vapours[upper]
        return tuple([low + share * (high - low) for low, high in zip(below, above, strict=True)])

    def _upper(self, temperature_c: float) -> int:
        temperatures = self.temperatures_c
        if not temperatures[0] <= temperature_c <= temperatures[-1]:
            raise outside("liquid temperature", temperature_c, "degC", temperatures[0], temperatures[-1], self.clause)
        return min(bisect_right(temperatures, temperature_c), len(temperatures) - 1)


def curve_of_composition(components: Sequence[Component], fractions: Sequence[float]) -> VapourPressureCurve:
    """The curve of a liquid of mole `fractions` by its bubble points, every 5 degC from -50 degC to 80 degC.

    It ends earlier where the liquid comes near its critical state. Fractions sum to 1 within 0.005, as rounded
    certificates do, and are scaled to it. Raises LimitError.
    """
    clause, within = equation_of_state.CLAUSE, COMPOSITION_SUM_WITHIN + 1e-9
    total = require_within("sum of the fractions", sum(fractions), "1", 1.0 - within, 1.0 + within, clause)
    for share in fractions:
        require_within("fraction", share, "1", 0.0, 1.0 + within, clause)
    kinds = tuple(components)
    liquid = [share / total for share in fractions]
    temperatures: list[float] = []
    pressures: list[float] = []
    vapours: list[tuple[float, ...]] = []
    for temperature_c in range(_COLDEST_C, _HOTTEST_C + 1, _STEP_C):
        try:
            found = bubble_point(kinds, liquid, temperature_c)
        except LimitError:
            break
        temperatures.append(float(temperature_c))
        pressures.append(found.pressure_pa)
        vapours.append(found.vapour)
    source = f"its composition by the {clause}"
    return VapourPressureCurve(tuple(temperatures), tuple(pressures), source, kinds, tuple(vapours))
