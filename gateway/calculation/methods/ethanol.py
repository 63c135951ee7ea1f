"""Mixtures of ethanol and water by OIML R 22 (1973), the international alcoholometric tables (also EEC 76/766)."""

import math
from dataclasses import dataclass, field

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_within
from gateway.calculation.methods.ethanol_freezing import freezing_point, frozen, require_liquid
from gateway.calculation.methods.root import solve_rising
from gateway.errors import LimitError

__all__ = [
    "PURE_ETHANOL_20C",
    "EthanolWater",
    "PreparedEthanol",
    "ethanol_density",
    "mass_fraction_from_density",
    "mass_fraction_from_volume_fraction",
    "volume_fraction_from_mass_fraction",
]

PURE_ETHANOL_20C = 789.24
"""kg/m3 at 20 degC."""

_CLAUSE = "OIML R 22"
_TEMPERATURE_C = (-20.0, 40.0)
_ROUNDING = 1e-8
# Ethanol gives way by 1.1e-9 per Pa: within this much the effect stays below 0.006 %.
_PRESSURE_PA = (-50e3, 50e3)

_A = (
    998.20123, -192.9769495, 389.1238958, -1668.103923, 13522.15441, -88292.78388, 306287.4042, -613838.1234,
    747017.2998, -547846.1354, 223446.0334, -39032.85426,
)  # fmt: skip
_B = (-0.20618513, -0.0052682542, 3.6130013e-05, -3.8957702e-07, 7.169354e-09, -9.9739231e-11)
_C = (
    (
        0.1693443461530087, -10.46914743455169, 71.96353469546523, -704.7478054272792, 3924.090430035045,
        -12101.64659068747, 22486.46550400788, -26055.62982188164, 18523.73922069467, -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701, 0.2517399633803461, -2.170575700536993, 13.53034988843029, -50.29988758547014,
        109.635566657757, -142.2753946421155, 108.043594285623, -44.14153236817392, 7.442971530188783,
    ),
    (
        -0.0006802995733503803, 0.01876837790289664, -0.2002561813734156, 1.02299296671922, -2.895696483903638,
        4.810060584300675, -4.672147440794683, 2.458043105903461, -0.5411227621436812,
    ),
    (4.075376675622027e-06, -8.76305857347111e-06, 6.515031360099368e-06, -1.51578483698721e-06),
    (-2.788074354782409e-08, 1.345612883493354e-08),
)  # fmt: skip


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    """c0 + c1 x + c2 x^2 ..."""
    result = 0.0
    for coefficient in reversed(coefficients):
        result = result * x + coefficient
    return result


def _in_temperature(mass_fraction: float) -> tuple[float, ...]:
    """Coefficients of the density as a polynomial in (t - 20), for one strength."""
    p = mass_fraction
    slopes = [b + p * _polynomial(c, p) for b, c in zip(_B, _C, strict=False)]
    return (_polynomial(_A, p), *slopes, _B[5])


def ethanol_density(mass_fraction: float, temperature_c: float) -> float:
    """Density in kg/m3 of a mixture of ethanol `mass_fraction` (0..1) at -20..40 degC, as if it were liquid there.

    rho = sum A_k p^(k-1) + sum B_k (t-20)^k + sum C_ik p^k (t-20)^i. Raises LimitError outside.
    """
    require_within("mass fraction of ethanol", mass_fraction, "1", 0.0, 1.0, _CLAUSE)
    require_within("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE)
    return _polynomial(_in_temperature(mass_fraction), temperature_c - 20.0)


def mass_fraction_from_density(density: float, temperature_c: float) -> float:
    """Mass fraction of ethanol of a mixture of `density` kg/m3 at `temperature_c` (degC). Raises LimitError outside."""
    require_within("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE)
    water, ethanol = ethanol_density(0.0, temperature_c), ethanol_density(1.0, temperature_c)
    quantity = f"density at {temperature_c:.4g} degC"
    require_within(quantity, density, "kg/m3", ethanol - _ROUNDING, water + _ROUNDING, _CLAUSE)

    def falling(mass_fraction: float) -> float:
        return -ethanol_density(mass_fraction, temperature_c)

    return solve_rising(falling, -density, 0.0, 1.0, -water, -ethanol)


def volume_fraction_from_mass_fraction(mass_fraction: float) -> float:
    """Strength by volume at 20 degC from strength by mass, both 0..1: q = p rho(p, 20)/789.24. Raises LimitError."""
    return mass_fraction * ethanol_density(mass_fraction, 20.0) / PURE_ETHANOL_20C


def mass_fraction_from_volume_fraction(volume_fraction: float) -> float:
    """Strength by mass from strength by volume at 20 degC, both 0..1: the inverse. Raises LimitError."""
    # R 22 takes pure ethanol as 789.24 kg/m3 where its formula gives 789.2393: hence the hair above 1.
    highest = volume_fraction_from_mass_fraction(1.0)
    require_within("volume fraction of ethanol", volume_fraction, "1", 0.0, 1.0, _CLAUSE)
    return solve_rising(volume_fraction_from_mass_fraction, volume_fraction, 0.0, 1.0, 0.0, highest)


@dataclass(frozen=True, slots=True)
class EthanolWater:
    """Density of a mixture of ethanol and water, and CTL = density(T)/density(reference); CPL = 1.

    With `mass_fraction` (0..1, by mass, not by volume) the strength is fixed and no density is taken from outside.
    Without it the strength follows from the density at reference, or from a density observed at any temperature.
    The formula holds for -20..40 degC. Weak mixtures freeze within that range, which it does not know: below the
    freezing point of the strength (CRC Handbook) there is no result. The reference is 20 degC unless stated otherwise.
    Gauge pressure within 50 kPa of zero. Raises LimitError outside.
    """

    mass_fraction: float | None = None
    reference_temperature_c: float = 20.0
    _fixed: "PreparedEthanol | None" = field(init=False, repr=False, compare=False, default=None)

    def __post_init__(self) -> None:
        require_within("reference temperature", self.reference_temperature_c, "degC", *_TEMPERATURE_C, _CLAUSE)
        if self.mass_fraction is not None:
            object.__setattr__(self, "_fixed", self._prepare(self.mass_fraction))

    @property
    def clause(self) -> str:
        strength = "" if self.mass_fraction is None else f", {100.0 * self.mass_fraction:.4g} % by mass"
        return f"{_CLAUSE}{strength}, to {self.reference_temperature_c:.4g} degC"

    @property
    def needs_density(self) -> bool:
        return self.mass_fraction is None

    @property
    def uses_density_for_ctl(self) -> bool:
        return self.mass_fraction is None

    def from_reference_density(self, density: float | None) -> "PreparedEthanol":
        """Fix the strength by the density at reference, kg/m3; None where the strength is given. Raises LimitError."""
        if self._fixed is not None:
            if density is not None:
                raise LimitError("density", density, "kg/m3", "given, but the strength already fixes it", self.clause)
            return self._fixed
        if density is None:
            raise LimitError("reference density", math.nan, "kg/m3", "missing", self.clause)
        return self._prepare(mass_fraction_from_density(density, self.reference_temperature_c))

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedEthanol":
        """Solve for the strength of a mixture of `density` kg/m3 at `temperature_c`. Raises LimitError."""
        if self._fixed is not None:
            raise LimitError("density", density, "kg/m3", "given, but the strength already fixes it", self.clause)
        require_within("gauge pressure", gauge_pressure_pa, "Pa", *_PRESSURE_PA, self.clause)
        mass_fraction = mass_fraction_from_density(density, temperature_c)
        require_liquid(mass_fraction, temperature_c)
        return self._prepare(mass_fraction)

    def _prepare(self, mass_fraction: float) -> "PreparedEthanol":
        require_liquid(mass_fraction, self.reference_temperature_c, "reference temperature")
        reference = ethanol_density(mass_fraction, self.reference_temperature_c)
        coefficients = _in_temperature(mass_fraction)
        return PreparedEthanol(self.clause, mass_fraction, reference, coefficients, freezing_point(mass_fraction))


@dataclass(frozen=True, slots=True)
class PreparedEthanol:
    """A mixture of fixed strength; made by `EthanolWater`."""

    clause: str
    mass_fraction: float
    reference_density: float
    coefficients: tuple[float, ...]
    """Density as a polynomial in (t - 20 degC)."""
    freezing_c: float

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to `temperature_c` (degC). Raises LimitError outside -20..40 degC and below the freezing point."""
        if not _TEMPERATURE_C[0] <= temperature_c <= _TEMPERATURE_C[1]:
            raise outside("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, self.clause)
        if temperature_c < self.freezing_c:
            raise frozen(self.mass_fraction, temperature_c, self.freezing_c)
        if not _PRESSURE_PA[0] <= gauge_pressure_pa <= _PRESSURE_PA[1]:
            raise outside("gauge pressure", gauge_pressure_pa, "Pa", *_PRESSURE_PA, self.clause)
        density = _polynomial(self.coefficients, temperature_c - 20.0)
        return Corrected(density / self.reference_density, 1.0, density)
