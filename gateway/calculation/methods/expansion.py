"""Correction by a constant coefficient of cubic expansion at the product's own reference temperature."""

import math
from dataclasses import dataclass, field

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_within
from gateway.errors import LimitError
from gateway.records import Reason, ReasonCode, because

__all__ = ["SPAN_C", "ExpansionCoefficient", "PreparedExpansion"]

# Our own bounds, not a standard's: beyond them a single coefficient no longer describes a liquid.
_ALPHA_PER_C = (1e-5, 5e-3)
_DENSITY = (100.0, 3000.0)
_LARGEST_EXPONENT = 0.25
_LOWEST_C, _HIGHEST_C = -50.0, 200.0
SPAN_C = 50.0
"""How far from its reference temperature a coefficient of no stated range is taken without doubt: our own bound."""
# A coefficient says nothing about pressure. Up to this much the effect on any stored liquid stays below 0.01 %.
_PRESSURE_PA = (-50e3, 50e3)


@dataclass(frozen=True, slots=True)
class ExpansionCoefficient:
    """CTL = exp(-a dT (1 + 0.8 a dT)), dT = T - reference, observed density = reference density x CTL.

    The exponential form of ASTM D1250 / API MPMS 11.1 with a stated coefficient `alpha_per_c` (1/degC) at
    `reference_temperature_c` (degC), on the scale of the thermometer. CPL = 1: no pressure correction.

    `lowest_c` and `highest_c` are the range for which its source states the coefficient: outside it no result. None:
    not stated on that side; then what lies more than 50 K from the reference is given with a doubt, since a coefficient
    changes with temperature, and nothing is given below -50 or above 200 degC.

    Bounds are our own: alpha 1e-5..5e-3 per degC, |a dT| up to 0.25, density 100..3000 kg/m3, gauge pressure within
    50 kPa of zero. Raises LimitError outside.
    """

    alpha_per_c: float
    reference_temperature_c: float
    lowest_c: float | None = None
    highest_c: float | None = None
    _range_c: tuple[float, float] = field(init=False, repr=False, compare=False)
    _sure_c: tuple[float, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        require_within("expansion coefficient", self.alpha_per_c, "1/degC", *_ALPHA_PER_C, self.clause)
        lowest = _LOWEST_C if self.lowest_c is None else self.lowest_c
        highest = _HIGHEST_C if self.highest_c is None else self.highest_c
        require_within("lowest temperature", lowest, "degC", -273.15, 500.0, self.clause)
        require_within("highest temperature", highest, "degC", lowest, 500.0, self.clause)
        reference = require_within(
            "reference temperature", self.reference_temperature_c, "degC", lowest, highest, self.clause
        )
        object.__setattr__(self, "_range_c", (lowest, highest))
        coldest = reference - SPAN_C if self.lowest_c is None else lowest
        hottest = reference + SPAN_C if self.highest_c is None else highest
        object.__setattr__(self, "_sure_c", (coldest, hottest))

    @property
    def clause(self) -> str:
        return f"constant expansion coefficient {self.alpha_per_c:.7g} /degC at {self.reference_temperature_c:.4g} degC"

    @property
    def needs_density(self) -> bool:
        return True

    @property
    def uses_density_for_ctl(self) -> bool:
        return False

    def from_reference_density(self, density: float | None) -> "PreparedExpansion":
        """Fix the density at the reference temperature, kg/m3; None leaves densities unknown but CTL known."""
        if density is not None:
            require_within("reference density", density, "kg/m3", *_DENSITY, self.clause)
        return PreparedExpansion(self, density)

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedExpansion":
        """Reference density = observed density / CTL. Raises LimitError outside the bounds."""
        require_within("observed density", density, "kg/m3", *_DENSITY, self.clause)
        return self.from_reference_density(density / self.ctl(temperature_c, gauge_pressure_pa))

    def ctl(self, temperature_c: float, gauge_pressure_pa: float) -> float:
        """Volume at reference over volume at `temperature_c` (degC). Raises LimitError outside the bounds."""
        lowest, highest = self._range_c
        if not lowest <= temperature_c <= highest:
            raise outside("liquid temperature", temperature_c, "degC", lowest, highest, self.clause)
        if not _PRESSURE_PA[0] <= gauge_pressure_pa <= _PRESSURE_PA[1]:
            raise outside("gauge pressure", gauge_pressure_pa, "Pa", *_PRESSURE_PA, self.clause)
        x = self.alpha_per_c * (temperature_c - self.reference_temperature_c)
        if not -_LARGEST_EXPONENT <= x <= _LARGEST_EXPONENT:
            limit = f"too far from {self.reference_temperature_c:.4g} degC: |a dT| above {_LARGEST_EXPONENT}"
            raise LimitError("liquid temperature", temperature_c, "degC", limit, self.clause)
        return math.exp(-x * (1.0 + 0.8 * x))

    def doubt(self, temperature_c: float) -> Reason | None:
        """What is doubtful about the coefficient at `temperature_c`; None within its range, or near its reference."""
        coldest, hottest = self._sure_c
        if coldest <= temperature_c <= hottest:
            return None
        return because(
            ReasonCode.METHOD_DOUBTFUL,
            "expansion coefficient used over {span:apart degC .0f} from {reference:degC .4g}, where it holds, and no "
            "range is stated for it",
            span=SPAN_C,
            reference=self.reference_temperature_c,
        )


@dataclass(frozen=True, slots=True)
class PreparedExpansion:
    """A constant coefficient with its reference density, kg/m3, or none."""

    method: ExpansionCoefficient
    reference_density: float | None

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to `temperature_c` (degC) and `gauge_pressure_pa` (Pa). Raises LimitError outside the bounds."""
        ctl = self.method.ctl(temperature_c, gauge_pressure_pa)
        density = None if self.reference_density is None else self.reference_density * ctl
        return Corrected(ctl, 1.0, density, self.method.doubt(temperature_c))
