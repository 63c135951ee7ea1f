"""Where a floating roof stands and what it displaces: FRA (API MPMS 12.1.1, floating roof adjustment).

FRA is signed and enters after the shell's correction. Water, snow or product on the roof, a stuck or a sunk roof are
not seen here: they are entered by hand, with an expiry.
"""

from gateway.calculation.limits import require_within
from gateway.calculation.plan import TOUCH_M
from gateway.errors import LimitError
from gateway.states import RoofZone

__all__ = ["LEAVES_CRITICAL_M", "roof_adjustment", "roof_adjustment_per_degree_api", "roof_zone"]

_CLAUSE = "API MPMS 12.1.1, floating roof adjustment"


LEAVES_CRITICAL_M = 0.010
"""A roof is clear of its critical zone when the level is this much beyond it: ripple is less (common practice)."""


def roof_zone(
    level_m: float, critical_low_m: float, critical_high_m: float, before: RoofZone | None = None
) -> RoofZone:
    """The zone at `level_m`; both limits of the critical zone belong to it.

    The limits go with the setting of the legs, high or low; a level that stands on one in decimals stands on it, though
    2280 mm make 2.2800000000000002 m in binary. A roof that was in its critical zone `before` leaves it
    10 mm beyond a limit. Raises LimitError for a level that is not a number and where the limits are not in order.
    """
    if not critical_low_m <= critical_high_m:
        limit = f"above the upper limit, {critical_high_m:.7g} m"
        raise LimitError("lower limit of the critical zone", critical_low_m, "m", limit, _CLAUSE)
    beyond_m = LEAVES_CRITICAL_M if before is RoofZone.CRITICAL else TOUCH_M
    if level_m < critical_low_m - beyond_m:
        return RoofZone.LANDED
    if level_m > critical_high_m + beyond_m:
        return RoofZone.FLOATING
    if level_m != level_m:
        raise LimitError("level", level_m, "m", "not a number", _CLAUSE)
    return RoofZone.CRITICAL


def roof_adjustment(mass_kg: float, observed_density_kg_m3: float, table_density_kg_m3: float | None = None) -> float:
    """FRA in m3 of a roof afloat, to be added to the volume.

    The capacity table leaves the roof out: -W / rho_obs. It deducts the roof at a density rho_t already:
    W (1 / rho_t - 1 / rho_obs), positive in a denser liquid. Both densities at tank temperature, not at reference.
    Raises LimitError unless the mass is zero or more and the densities are within 1..5000 kg/m3.
    """
    require_within("roof mass", mass_kg, "kg", 0.0, 1e8, _CLAUSE)
    require_within("density at tank temperature", observed_density_kg_m3, "kg/m3", 1.0, 5000.0, _CLAUSE)
    if table_density_kg_m3 is None:
        return -mass_kg / observed_density_kg_m3
    require_within("density of the table's roof", table_density_kg_m3, "kg/m3", 1.0, 5000.0, _CLAUSE)
    return mass_kg * (1.0 / table_density_kg_m3 - 1.0 / observed_density_kg_m3)


def roof_adjustment_per_degree_api(observed_api: float, table_api: float, volume_per_degree: float) -> float:
    """FRA = -(API_obs - API_table) k, in the unit of volume of `volume_per_degree`.

    The form printed on many US tables that deduct the roof at `table_api`. Degrees API at tank temperature.
    Raises LimitError outside -131.5..200 degAPI, and for a negative or infinite k.
    """
    for name, value in (("gravity at tank temperature", observed_api), ("gravity of the table's roof", table_api)):
        require_within(name, value, "degAPI", -131.5, 200.0, _CLAUSE)
    require_within("volume per degree API", volume_per_degree, "1", 0.0, 1e9, _CLAUSE)
    return -(observed_api - table_api) * volume_per_degree
