"""What the figures of each tank range over, as far as its plan says: to draw them, and for deadbands in per cent."""

from collections.abc import Iterable

from gateway.delivery.contract import TankScale
from gateway.settings import TankSetup

__all__ = ["tank_scales"]

_HEAVIEST = 1_100.0
"""kg/m3: a mass of a tank full of something heavier is beyond the end of its scale, and no less right."""
_LEVELS = ("level", "ullage", "second_level", "water_level")
_VOLUMES = ("tov", "gov", "gsv", "nsv", "free_water", "pumpable", "room")
_MASSES = ("mass", "weight_in_air", "net_mass", "net_weight_in_air", "total_mass")


def tank_scales(setups: Iterable[TankSetup]) -> list[TankScale]:
    """In the order of the site file."""
    return [_scale(setup) for setup in setups]


def _scale(setup: TankSetup) -> TankScale:
    plan = setup.plan
    full_m3 = plan.capacity.volume(plan.capacity.top_m)
    ranges = dict.fromkeys(_LEVELS, (0.0, plan.reference_height_m))
    ranges |= dict.fromkeys(_VOLUMES, (0.0, full_m3))
    ranges |= dict.fromkeys(_MASSES, (0.0, full_m3 * _HEAVIEST))
    ranges["fill"] = (0.0, 1.0)
    return TankScale(plan.tank, setup.description or "", ranges)
