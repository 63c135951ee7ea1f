"""Temperature of an upright tank's shell and the volume correction for its expansion: CTSh (API MPMS 12.1.1)."""

from math import isfinite
from typing import NamedTuple

from gateway.calculation.limits import require_finite, require_within
from gateway.errors import LimitError

__all__ = ["METALS", "Metal", "require_steel", "shell_correction", "shell_temperature"]

_CLAUSE = "API MPMS 12.1.1, shell temperature correction"

# The range over which a handbook's constant coefficient describes the metal (common practice).
_LOWEST_C, _HIGHEST_C = -200.0, 400.0
_STEEPEST = 1e-4


class Metal(NamedTuple):
    """A shell metal with its linear coefficient of expansion."""

    name: str
    linear_coefficient_per_c: float
    source: str


METALS: tuple[Metal, ...] = (
    Metal("carbon steel", 1.116e-5, "API MPMS 12.1.1: 6.20e-6 per degF"),
    Metal("304 stainless steel", 1.728e-5, "API MPMS 12.1.1: 9.60e-6 per degF"),
    Metal("316 stainless steel", 1.5894e-5, "API MPMS 12.1.1: 8.83e-6 per degF"),
    Metal("17-4PH stainless steel", 1.08e-5, "API MPMS 12.1.1: 6.00e-6 per degF"),
    Metal("duplex stainless steel", 1.30e-5, "EN 10088-1, from memory"),
    Metal("aluminium", 2.36e-5, "handbook value, from memory; not in API MPMS 12.1.1"),
)
"""The usual metals; coefficients per degC are 1.8 times the printed ones per degF."""


def shell_temperature(liquid_c: float, ambient_c: float | None, *, insulated: bool) -> float:
    """TSh in degC: (7 TL + TA) / 8 bare, TL insulated (API MPMS 12.1.1). `ambient_c` counts for a bare shell only.

    Raises LimitError for a temperature that is not finite, and for a bare shell without an ambient temperature.
    """
    if not isfinite(liquid_c):
        require_finite("liquid temperature", liquid_c, "degC", _CLAUSE)
    if insulated:
        return liquid_c
    if ambient_c is None:
        raise LimitError("ambient temperature", float("nan"), "degC", "not given for a bare shell", _CLAUSE)
    if not isfinite(ambient_c):
        require_finite("ambient temperature", ambient_c, "degC", _CLAUSE)
    return (7.0 * liquid_c + ambient_c) / 8.0


def require_steel(linear_coefficient_per_c: float, shell_c: float, table_c: float, clause: str) -> None:
    """Raises LimitError for a coefficient outside 0..1e-4 per degC or a temperature outside -200..400 degC."""
    if 0.0 <= linear_coefficient_per_c <= _STEEPEST and _LOWEST_C <= shell_c <= _HIGHEST_C:
        if not _LOWEST_C <= table_c <= _HIGHEST_C:
            require_within("reference temperature of the table", table_c, "degC", _LOWEST_C, _HIGHEST_C, clause)
        return
    require_within("linear coefficient of expansion", linear_coefficient_per_c, "1/degC", 0.0, _STEEPEST, clause)
    require_within("shell temperature", shell_c, "degC", _LOWEST_C, _HIGHEST_C, clause)


def shell_correction(linear_coefficient_per_c: float, shell_c: float, table_c: float) -> float:
    """CTSh = 1 + 2 a dT + a^2 dT^2 with dT = TSh - table temperature, for upright cylinders (API MPMS 12.1.1).

    `linear_coefficient_per_c` a, 0..1e-4 per degC. A table printed at operating temperature has that as `table_c`.
    Raises LimitError outside -200..400 degC.
    """
    require_steel(linear_coefficient_per_c, shell_c, table_c, _CLAUSE)
    stretch = linear_coefficient_per_c * (shell_c - table_c)
    return 1.0 + 2.0 * stretch + stretch * stretch
