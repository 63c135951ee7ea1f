"""The height of the reference point of a tank whose shell is not at the temperature of its capacity table.

The point from which ullage is measured stands on the shell and rises with it: RH (1 + a (TSh - T table)), some 7 mm for
40 K on 15 m of carbon steel (API MPMS 3.1B; ISO 4266-1). A gauge that measures up from the datum does not know of it.
"""

from gateway.calculation import figure
from gateway.calculation.plan import ShellPlan, TankPlan
from gateway.calculation.quantities.shell import require_steel, shell_temperature
from gateway.errors import LimitError
from gateway.records import Figure, Input, Quality, ReasonCode, because

__all__ = ["grown_height", "reference_height"]

_BAD = Quality.BAD

_CLAUSE = "API MPMS 3.1B, expansion of the shell to the reference point"
_MATTERS_M = 0.003
"""By more than this a reference height must not differ from its table's (common practice)."""
_AWAY_C = 50.0
"""A shell whose temperature nobody knows may be this far from its table's (common practice)."""


def grown_height(height_m: float, linear_coefficient_per_c: float, shell_c: float, table_c: float) -> float:
    """Height above the datum in m of a point of the shell that stands `height_m` high at `table_c`.

    Raises LimitError outside -200..400 degC and for a coefficient outside 0..1e-4 per degC.
    """
    require_steel(linear_coefficient_per_c, shell_c, table_c, _CLAUSE)
    return height_m * (1.0 + linear_coefficient_per_c * (shell_c - table_c))


def reference_height(plan: TankPlan, liquid: Figure, ambient: Input | None) -> Figure:
    """The reference height in m at the present temperature of the shell.

    Without the liquid's temperature it is that of the table, Uncertain where the growth could matter. An Uncertain
    temperature leaves it Good: 15 degC of error are 2.5 mm on 15 m of carbon steel, less than an installed gauge keeps
    (API MPMS 3.1B). So does a missing temperature of the air, which is an eighth of the shell's.
    """
    shell = plan.shell
    height_m = plan.reference_height_m
    if shell is None:
        return figure.good(height_m, 0.0)
    if liquid.value is None:
        return _unknown(height_m, shell)
    ambient_c = None if ambient is None or ambient.quality is _BAD else ambient.value
    try:
        shell_c = shell_temperature(liquid.value, ambient_c, insulated=shell.insulated or ambient_c is None)
        grown_m = grown_height(height_m, shell.linear_coefficient_per_c, shell_c, shell.table_temperature_c)
    except LimitError:
        return _unknown(height_m, shell)
    return figure.good(grown_m, 0.0)


def _unknown(height_m: float, shell: ShellPlan) -> Figure:
    off_m = height_m * shell.linear_coefficient_per_c * _AWAY_C
    ungrown = figure.good(height_m, 0.0)
    if off_m <= _MATTERS_M:
        return ungrown
    reason = because(
        ReasonCode.INPUT_UNCERTAIN,
        "the shell's temperature is unknown: at {away:apart degC g} from the table's the reference point moves by "
        "{off:mm .0f}",
        away=_AWAY_C,
        off=off_m,
    )
    return figure.lower(ungrown, reason)
