"""Crude oil, refined products, lubricating oils, special products: API MPMS 11.1 (2004), ASTM D1250-08, ISO 91."""

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from gateway.calculation.contracts import Corrected
from gateway.calculation.limits import outside, require_within
from gateway.calculation.methods.its90 import ipts68_from_its90
from gateway.calculation.methods.root import solve_rising_pieces
from gateway.errors import LimitError

__all__ = ["REFERENCE_60F_C", "PetroleumCorrection", "PetroleumGroup", "PreparedPetroleum"]

REFERENCE_60F_C = (60.0 - 32.0) / 1.8
"""60 degF in degC, ITS-90."""

_PASCALS_PER_PSI = 6894.757293168361
_DELTA_60F = 0.01374979547
_BASE_68F = 60.0068749
"""60 degF (ITS-90) on IPTS-68, in degF."""

# 11.1.3.3, Table 1: limits of input.
_TEMPERATURE_C = (-50.0, 150.0)
_PRESSURE_PA = (0.0, 1500.0 * _PASCALS_PER_PSI)
_ALPHA_60F_PER_F = (230e-6, 930e-6)
_ROUNDING = 1e-8
"""kg/m3."""


class PetroleumGroup(StrEnum):
    """Commodity groups: tables A, B, D and C."""

    CRUDE = "crude"
    REFINED = "refined"
    LUBRICATING = "lubricating"
    SPECIAL = "special"
    """Any liquid whose expansion coefficient at 60 degF is known."""


class _SubGroup(NamedTuple):
    """One row of constants: valid from `lowest` up to, but without, `highest` kg/m3 at 60 degF."""

    lowest: float
    highest: float
    k0: float
    k1: float
    k2: float


# The last row of each group includes its upper limit: 1163.5 kg/m3 belongs to the group.
_SUB_GROUPS: dict[PetroleumGroup, tuple[_SubGroup, ...]] = {
    PetroleumGroup.CRUDE: (_SubGroup(610.6, 1163.5, 341.0957, 0.0, 0.0),),
    PetroleumGroup.REFINED: (
        _SubGroup(610.6, 770.3520, 192.4571, 0.2438, 0.0),
        _SubGroup(770.3520, 787.5195, 1489.0670, 0.0, -0.00186840),
        _SubGroup(787.5195, 838.3127, 330.3010, 0.0, 0.0),
        _SubGroup(838.3127, 1163.5, 103.8720, 0.2701, 0.0),
    ),
    PetroleumGroup.LUBRICATING: (_SubGroup(800.9, 1163.5, 0.0, 0.34878, 0.0),),
    # Group C takes its coefficient from outside; its constants are never used.
    PetroleumGroup.SPECIAL: (_SubGroup(610.6, 1163.5, 0.0, 0.0, 0.0),),
}

_GROUP_NAMES = {
    PetroleumGroup.CRUDE: "crude oil",
    PetroleumGroup.REFINED: "refined products",
    PetroleumGroup.LUBRICATING: "lubricating oils",
    PetroleumGroup.SPECIAL: "special products",
}


def _expansion(density_60f: float, group: _SubGroup) -> tuple[float, float]:
    """(alpha60 in 1/degF, density in kg/m3 at 60 degF IPTS-68) from the density at 60 degF ITS-90: 11.1.6.1 step 4."""
    k0, k1, k2 = group.k0, group.k1, group.k2
    a = 0.5 * _DELTA_60F * ((k0 / density_60f + k1) / density_60f + k2)
    b = (2.0 * k0 + k1 * density_60f) / (k0 + (k1 + k2 * density_60f) * density_60f)
    shifted = density_60f * (1.0 + math.expm1(a * (1.0 + 0.8 * a)) / (1.0 + a * (1.0 + 1.6 * a) * b))
    return (k0 / shifted + k1) / shifted + k2, shifted


def _given_expansion(density_60f: float, alpha_60f: float) -> float:
    """Density at 60 degF IPTS-68 where the coefficient is given."""
    a = 0.5 * alpha_60f * _DELTA_60F
    return density_60f * math.exp(a * (1.0 + 0.8 * a))


def _fahrenheit_68(temperature_c: float) -> float:
    return 1.8 * ipts68_from_its90(temperature_c) + 32.0


def _ctl_60f(alpha_60f: float, t68_f: float) -> float:
    dt = t68_f - _BASE_68F
    return math.exp(-alpha_60f * dt * (1.0 + 0.8 * alpha_60f * (dt + _DELTA_60F)))


def _cpl(shifted_density: float, t68_f: float, pressure_pa: float) -> float:
    if pressure_pa == 0.0:
        return 1.0
    square = shifted_density * shifted_density
    factor = math.exp(-1.9947 + 0.00013427 * t68_f + (793920.0 + 2326.0 * t68_f) / square)
    return 1.0 / (1.0 - 1e-5 * factor * (pressure_pa / _PASCALS_PER_PSI))


@dataclass(frozen=True, slots=True)
class PetroleumCorrection:
    """CTL, CPL and density of a commodity group to 60 degF, 15 degC or 20 degC.

    From the density at 60 degF (rho*, on IPTS-68): alpha60 = K0/rho*^2 + K1/rho* + K2, dt = t* - 60.0068749 degF,
    CTL = exp(-alpha60 dt (1 + 0.8 alpha60 (dt + 0.01374979547))),
    Fp = exp(-1.9947 + 0.00013427 t* + (793920 + 2326 t*)/rho*^2), CPL = 1/(1 - 1e-5 Fp P), P in psi (11.1.6.1).
    To 15 or 20 degC, CTL = CTL60(t)/CTL60(reference) (11.1.7). Densities observed are solved sub-group by sub-group
    and held to its borders (11.1.6.2). Factors are not rounded. SPECIAL needs `expansion_60f_per_f`, the coefficient at
    60 degF in 1/degF; its CTL then does not depend on density.

    Limits, never clamped: -50..150 degC; 0..1500 psi above equilibrium pressure; density at 60 degF 610.6..1163.5 kg/m3
    (lubricating oils from 800.9); coefficient 230e-6..930e-6 per degF. Raises LimitError outside.
    """

    group: PetroleumGroup
    reference_temperature_c: float
    expansion_60f_per_f: float | None = None
    _reference_68_f: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not any(abs(self.reference_temperature_c - allowed) < 1e-6 for allowed in (REFERENCE_60F_C, 15.0, 20.0)):
            limit = "not 60 degF, 15 degC or 20 degC"
            raise LimitError("reference temperature", self.reference_temperature_c, "degC", limit, self.clause)
        alpha = self.expansion_60f_per_f
        if self.group is PetroleumGroup.SPECIAL:
            if alpha is None:
                limit = "missing: special products need their coefficient at 60 degF"
                raise LimitError("expansion coefficient", math.nan, "1/degF", limit, self.clause)
            require_within("expansion coefficient at 60 degF", alpha, "1/degF", *_ALPHA_60F_PER_F, self.clause)
        elif alpha is not None:
            limit = "given, but this group works its own out from density"
            raise LimitError("expansion coefficient", alpha, "1/degF", limit, self.clause)
        object.__setattr__(self, "_reference_68_f", _fahrenheit_68(self.reference_temperature_c))

    @property
    def clause(self) -> str:
        reference_c = self.reference_temperature_c
        reference = "60 degF" if abs(reference_c - REFERENCE_60F_C) < 1e-6 else f"{reference_c:.4g} degC"
        return f"API MPMS 11.1 (2004), {_GROUP_NAMES[self.group]}, to {reference}"

    @property
    def needs_density(self) -> bool:
        return True

    @property
    def uses_density_for_ctl(self) -> bool:
        return self.group is not PetroleumGroup.SPECIAL

    def from_reference_density(self, density: float | None) -> "PreparedPetroleum":
        """Fix the density at the reference temperature and zero gauge pressure, kg/m3.

        None only for SPECIAL: CTL is then known, densities are not. Raises LimitError.
        """
        if density is None:
            if self.expansion_60f_per_f is None:
                raise LimitError("reference density", math.nan, "kg/m3", "missing", self.clause)
            alpha = self.expansion_60f_per_f
            return PreparedPetroleum(self, None, alpha, None, _ctl_60f(alpha, self._reference_68_f), None)
        if abs(self.reference_temperature_c - REFERENCE_60F_C) < 1e-6:
            rows = _SUB_GROUPS[self.group]
            require_within(
                "reference density at 60 degF", density, "kg/m3", rows[0].lowest, rows[-1].highest, self.clause
            )
            row = next((row for row in rows if density < row.highest), rows[-1])
            return self._prepare(density, row, density)
        quantity = f"reference density at {self.reference_temperature_c:.4g} degC"
        density_60f, row = self._density_60f(quantity, density, self._reference_68_f, 0.0)
        return self._prepare(density_60f, row, density)

    def from_observed_density(
        self, density: float, temperature_c: float, gauge_pressure_pa: float
    ) -> "PreparedPetroleum":
        """Solve for the density at 60 degF that gives `density` kg/m3 at the state. Raises LimitError.

        Where two neighbouring sub-groups both have a root, the lower is taken; where neither has, the border.
        """
        self.require_state(temperature_c, gauge_pressure_pa)
        quantity = f"observed density at {temperature_c:.4g} degC"
        density_60f, row = self._density_60f(quantity, density, _fahrenheit_68(temperature_c), gauge_pressure_pa)
        return self._prepare(density_60f, row, None)

    def require_state(self, temperature_c: float, gauge_pressure_pa: float) -> None:
        """Raises LimitError outside the temperature and pressure limits."""
        if not _TEMPERATURE_C[0] <= temperature_c <= _TEMPERATURE_C[1]:
            raise outside("liquid temperature", temperature_c, "degC", *_TEMPERATURE_C, self.clause)
        if not _PRESSURE_PA[0] <= gauge_pressure_pa <= _PRESSURE_PA[1]:
            raise outside("gauge pressure", gauge_pressure_pa, "Pa", *_PRESSURE_PA, self.clause)

    def _prepare(self, density_60f: float, row: _SubGroup, reference_density: float | None) -> "PreparedPetroleum":
        alpha, shifted = self._alpha_and_shifted(density_60f, row)
        base = _ctl_60f(alpha, self._reference_68_f)
        if reference_density is None:
            reference_density = density_60f * base
        return PreparedPetroleum(self, reference_density, alpha, shifted, base, density_60f)

    def _alpha_and_shifted(self, density_60f: float, row: _SubGroup) -> tuple[float, float]:
        alpha = self.expansion_60f_per_f
        if alpha is not None:
            return alpha, _given_expansion(density_60f, alpha)
        return _expansion(density_60f, row)

    def _density_at_state(self, density_60f: float, row: _SubGroup, t68_f: float, pressure_pa: float) -> float:
        alpha, shifted = self._alpha_and_shifted(density_60f, row)
        return density_60f * _ctl_60f(alpha, t68_f) * _cpl(shifted, t68_f, pressure_pa)

    def _density_60f(self, quantity: str, density: float, t68_f: float, pressure_pa: float) -> tuple[float, _SubGroup]:
        """(density at 60 degF, its sub-group) of a liquid of `density` kg/m3 at the state."""
        rows = _SUB_GROUPS[self.group]
        lightest = self._density_at_state(rows[0].lowest, rows[0], t68_f, pressure_pa)
        heaviest = self._density_at_state(rows[-1].highest, rows[-1], t68_f, pressure_pa)
        # A density worked out forward from a limit itself may miss it by rounding alone.
        require_within(quantity, density, "kg/m3", lightest - _ROUNDING, heaviest + _ROUNDING, self.clause)
        borders = (*(row.lowest for row in rows), rows[-1].highest)

        def density_at_state(density_60f: float, piece: int) -> float:
            return self._density_at_state(density_60f, rows[piece], t68_f, pressure_pa)

        density_60f, piece = solve_rising_pieces(density_at_state, density, borders)
        return density_60f, rows[piece]


@dataclass(frozen=True, slots=True)
class PreparedPetroleum:
    """A commodity group with its density fixed; made by `PetroleumCorrection`."""

    method: PetroleumCorrection
    reference_density: float | None
    """kg/m3 at the reference temperature and zero gauge pressure."""
    alpha_60f: float
    """Coefficient of expansion at 60 degF, 1/degF."""
    shifted_density: float | None
    """Density at 60 degF on IPTS-68, kg/m3."""
    base_ctl: float
    """CTL from 60 degF to the reference temperature."""
    density_60f: float | None

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        """Correct to `temperature_c` (degC) and `gauge_pressure_pa` (Pa above equilibrium). Raises LimitError."""
        self.method.require_state(temperature_c, gauge_pressure_pa)
        t68_f = 1.8 * ipts68_from_its90(temperature_c) + 32.0
        ctl = _ctl_60f(self.alpha_60f, t68_f) / self.base_ctl
        if self.shifted_density is None or self.reference_density is None:
            if gauge_pressure_pa != 0.0:
                limit = "not zero, and CPL needs a density"
                raise LimitError("gauge pressure", gauge_pressure_pa, "Pa", limit, self.method.clause)
            return Corrected(ctl, 1.0, None)
        cpl = _cpl(self.shifted_density, t68_f, gauge_pressure_pa)
        return Corrected(ctl, cpl, self.reference_density * ctl * cpl)
