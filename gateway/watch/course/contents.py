"""What is in a tank, as far as it is conserved: the quantity that no warming and no water draw changes.

That is the gross standard volume (GSV; API MPMS 12.1.1): what is left of the observed volume when free water, shell and
the liquid's own expansion are taken out. A pressurised tank with vapour counts liquid and vapour by mass, and so does a
product without a reference volume.
"""

from typing import NamedTuple

from gateway.calculation.doubts.sure_flow import span_volume
from gateway.calculation.plan import TankPlan
from gateway.records import Figure, Inventory, Quality, ReasonCode
from gateway.sources import LevelSource

__all__ = ["Contents", "area_m2", "contents_of"]

_AREA_SPAN_M = 0.1
_NOT_TAKEN = frozenset({ReasonCode.RATE_IMPLAUSIBLE, ReasonCode.LEVEL_FROZEN})
"""A level with such a doubt tells nothing of what is in the tank."""


class Contents(NamedTuple):
    """The contents at one sheet."""

    quantity: float
    """GSV in m3, or mass in kg."""
    per_m3: float
    """Of the same, in each m3 of liquid at tank conditions."""
    level_m: float
    volume_m3: float
    """TOV."""
    water_m3: float | None
    """Free water; None where it is not known or there is none to know of."""
    temperature_c: float | None


def contents_of(tank: TankPlan, inventory: Inventory) -> Contents | None:
    """The contents; None where they are not known, or by a level that was entered or is no longer believed."""
    figures = inventory.figures
    level, tov = figures.level, figures.tov
    if level.value is None or tov.value is None or inventory.sources.level is LevelSource.DIP:
        return None
    if level.quality is not Quality.GOOD and any(reason.code in _NOT_TAKEN for reason in level.reasons):
        return None
    if tank.vapour is not None:
        quantity, per_m3 = figures.total_mass, _less(figures.observed_density, figures.vapour_density)
    elif inventory.reference_temperature_c is not None:
        quantity, per_m3 = figures.gsv, _times(figures.ctl, figures.cpl)
    else:
        quantity, per_m3 = figures.mass, figures.observed_density.value
    if quantity.value is None or per_m3 is None or per_m3 <= 0.0:
        return None
    return Contents(
        quantity.value, per_m3, level.value, tov.value, figures.free_water.value, figures.liquid_temperature.value
    )


def area_m2(tank: TankPlan, level_m: float) -> float | None:
    """The surface around a level; None where the volumes do not reach."""
    volume_m3 = span_volume(tank.capacity, level_m, _AREA_SPAN_M)
    return None if volume_m3 is None else volume_m3 / _AREA_SPAN_M


def _times(ctl: Figure, cpl: Figure) -> float | None:
    return None if ctl.value is None else ctl.value * (1.0 if cpl.value is None else cpl.value)


def _less(liquid: Figure, vapour: Figure) -> float | None:
    """A volume of liquid takes the place of as much vapour."""
    return None if liquid.value is None else liquid.value - (vapour.value or 0.0)
