"""What the figures of each tank range over, as far as its plan says: to draw them, and for deadbands in per cent."""

from collections.abc import Callable, Sequence

from gateway.delivery.contract import TankScale
from gateway.settings import TankSetup

__all__ = ["TankScales"]

_HEAVIEST = 1_100.0
"""kg/m3: a mass of a tank full of something heavier is beyond the end of its scale, and no less right."""
_LEVELS = ("level", "ullage", "second_level", "water_level")
_VOLUMES = ("tov", "gov", "gsv", "nsv", "free_water", "pumpable", "room")
_MASSES = ("mass", "weight_in_air", "net_mass", "net_weight_in_air", "total_mass")


class TankScales:
    """Of the tanks of a site, made once for all who ask, until there are others."""

    def __init__(self, setups: Callable[[], Sequence[TankSetup]]) -> None:
        """`setups`: of now; another object where they are others."""
        self._setups = setups
        self._known: Sequence[TankSetup] = ()
        self._made: Sequence[TankScale] = ()

    def __call__(self) -> Sequence[TankScale]:
        """In the order of the site file."""
        setups = self._setups()
        if setups is not self._known:
            self._known, self._made = setups, tuple(_scale(setup) for setup in setups)
        return self._made


def _scale(setup: TankSetup) -> TankScale:
    plan = setup.plan
    full_m3 = plan.capacity.volume(plan.capacity.top_m)
    ranges = dict.fromkeys(_LEVELS, (0.0, plan.reference_height_m))
    ranges |= dict.fromkeys(_VOLUMES, (0.0, full_m3))
    ranges |= dict.fromkeys(_MASSES, (0.0, full_m3 * _HEAVIEST))
    ranges["fill"] = (0.0, 1.0)
    return TankScale(plan.tank, setup.description or "", ranges)
