"""What the pressure of a liquid column tells: level from density, density from level, and local gravity.

Both transmitters give gauge pressure. With P1 at the nozzle Z1, P3 above the liquid at Z3, the level L and free water
up to W, the balance of the columns of water, product, gas and outside air is
    P1 - P3 = rho_water g (W - Z1) + rho g (L - W) + rho_gas g (Z3 - L) - rho_air g (Z3 - Z1)
with W = Z1 where no water stands above the nozzle (API MPMS 3.6 and 3.7; ISO 15169 and ISO 11223). A vented tank has
P3 = 0 at its vent; with air above the liquid too its balance is P1 = (rho - rho_air) g (L - Z1).
"""

import math
from typing import NamedTuple

from gateway.calculation.limits import require_finite, require_within
from gateway.errors import LimitError

__all__ = [
    "AIR_DENSITY",
    "AIR_PER_PA",
    "WATER_DENSITY",
    "Surroundings",
    "WaterLayer",
    "air_density",
    "density_from_pressure",
    "level_from_pressure",
    "liquid_pressure",
    "normal_gravity",
    "product_head",
]

_LEVEL_CLAUSE = "API MPMS 3.7 / ISO 11223, level from pressure"
_DENSITY_CLAUSE = "API MPMS 3.6 / ISO 15169, density from pressure"
_GRAVITY_CLAUSE = "GRS80 normal gravity"
_AIR_CLAUSE = "ICAO standard atmosphere"

# GRS80 (Moritz, Geodetic Reference System 1980, Journal of Geodesy 74, 2000): gravity at the equator, the constant of
# Somigliana's formula and the first eccentricity squared; gradient of free air at the surface.
_EQUATOR_M_S2 = 9.7803267715
_SOMIGLIANA = 0.001931851353
_ECCENTRICITY_SQUARED = 0.00669438002290
_FREE_AIR_PER_S2 = 3.0877e-6

AIR_DENSITY = 1.2
"""kg/m3 at sea level and 20 degC (OIML D 28, conventional). From -20 to 40 degC it is within 0.2 of that: 0.2 mm of
level for each metre of a liquid of 850 kg/m3."""
AIR_PER_PA = AIR_DENSITY / 101_325.0
"""By how much air, or nitrogen within 3 %, is denser for each Pa of pressure."""
WATER_DENSITY = 998.0
"""kg/m3 of fresh water at 20 degC (Tanaka 2001: 998.2). Sea water has 1025: 27 kg/m3 more are 32 mm less level for each
metre of water under a product of 850 kg/m3."""


class Surroundings(NamedTuple):
    """What stands above and beside the liquid. Zeros leave the gas's and the air's heads out."""

    vapour_transmitter_height_m: float = 0.0
    """Height of P3, or of the vent, above the datum; of no effect while both densities are equal."""
    vapour_density_kg_m3: float = 0.0
    """Of the gas between the surface and P3."""
    air_density_kg_m3: float = 0.0


class WaterLayer(NamedTuple):
    """Free water under the product."""

    level_m: float
    density_kg_m3: float = WATER_DENSITY


_NO_HEADS = Surroundings()
_TOUCH_M = 1e-9
"""Water up to the surface is a column of water, however the last digits fall."""


def normal_gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Local gravity in m/s2: Somigliana's formula on GRS80, less 3.0877e-6 /s2 times the altitude (free air).

    Good to about 0.05 %; a surveyed value is better. Raises LimitError outside -90..90 deg and -500..9000 m.
    """
    require_within("latitude", latitude_deg, "deg", -90.0, 90.0, _GRAVITY_CLAUSE)
    require_within("altitude", altitude_m, "m", -500.0, 9000.0, _GRAVITY_CLAUSE)
    sine_squared = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = _EQUATOR_M_S2 * (1.0 + _SOMIGLIANA * sine_squared) / math.sqrt(1.0 - _ECCENTRICITY_SQUARED * sine_squared)
    return at_sea - _FREE_AIR_PER_S2 * altitude_m


def air_density(altitude_m: float) -> float:
    """Air in kg/m3 at 20 degC and the pressure of the ICAO standard atmosphere: 1.2 at sea level, 0.94 at 2000 m.

    Raises LimitError outside -500..9000 m.
    """
    require_within("altitude", altitude_m, "m", -500.0, 9000.0, _AIR_CLAUSE)
    # ISO 2533: 288.15 K and 6.5 K/km; the exponent is g M / (R lapse).
    return AIR_DENSITY * math.pow(1.0 - 0.0065 * altitude_m / 288.15, 5.25588)


def liquid_pressure(
    head_pa: float, nozzle_height_m: float, gravity_m_s2: float, surroundings: Surroundings = _NO_HEADS
) -> float:
    """P = P1 - P3 less what gas makes of it in an empty tank, in Pa: zero where no liquid is above the nozzle."""
    to_p3_m = surroundings.vapour_transmitter_height_m - nozzle_height_m
    lighter = surroundings.vapour_density_kg_m3 - surroundings.air_density_kg_m3
    return head_pa - gravity_m_s2 * lighter * to_p3_m


def level_from_pressure(
    head_pa: float,
    density_kg_m3: float,
    nozzle_height_m: float,
    gravity_m_s2: float,
    surroundings: Surroundings = _NO_HEADS,
    water: WaterLayer | None = None,
) -> float:
    """Level in m above the datum: nozzle + P / (g rho), with rho at tank temperature and P = P1 - P3.

    Free water above the nozzle counts by its own density. Where the pressure does not even carry the water, the column
    is water alone, and the level found lies below `water.level_m`.

    Raises LimitError where the pressure is zero or less: the surface is at or below the nozzle, and how far is not
    known; and where a density is not above those of gas and air, or gravity is outside 9.7..9.9 m/s2.
    """
    _check(head_pa, nozzle_height_m, gravity_m_s2, surroundings, _LEVEL_CLAUSE)
    gas = surroundings.vapour_density_kg_m3
    _above_gas("density", density_kg_m3, surroundings)
    liquid_m = liquid_pressure(head_pa, nozzle_height_m, gravity_m_s2, surroundings) / gravity_m_s2
    if not liquid_m > 0.0:
        limit = "no head of liquid: the surface is at or below the nozzle"
        raise LimitError("pressure", head_pa, "Pa", limit, _LEVEL_CLAUSE)
    deep_m = _above_nozzle(water, nozzle_height_m)
    if water is None or deep_m == 0.0:
        return nozzle_height_m + liquid_m / (density_kg_m3 - gas)
    _above_gas("water density", water.density_kg_m3, surroundings)
    head_m = (liquid_m - (water.density_kg_m3 - density_kg_m3) * deep_m) / (density_kg_m3 - gas)
    if head_m < deep_m + _TOUCH_M:
        head_m = liquid_m / (water.density_kg_m3 - gas)
    return nozzle_height_m + head_m


def density_from_pressure(
    head_pa: float,
    level_m: float,
    nozzle_height_m: float,
    gravity_m_s2: float,
    surroundings: Surroundings = _NO_HEADS,
    minimum_head_m: float = 1.0,
    water: WaterLayer | None = None,
) -> float:
    """Density in kg/m3 at tank temperature: (P1 - P3) / (g (L - Z1)) with the heads of water, gas and air, P = P1 - P3.

    The mean of the product above the nozzle and above free water. Raises LimitError under `minimum_head_m` of it, where
    a small error of pressure is a large one of density (20 Pa is 0.5 kg/m3 at 4 m, 2 kg/m3 at 1 m), and where it comes
    out at zero or less.
    """
    _check(head_pa, nozzle_height_m, gravity_m_s2, surroundings, _DENSITY_CLAUSE)
    require_finite("level", level_m, "m", _DENSITY_CLAUSE)
    if not minimum_head_m > 0.0:
        raise LimitError("minimum head", minimum_head_m, "m", "not above zero", _DENSITY_CLAUSE)
    deep_m = _above_nozzle(water, nozzle_height_m)
    head_m = product_head(level_m, nozzle_height_m, water)
    if head_m < minimum_head_m:
        raise LimitError("head of liquid", head_m, "m", f"below the minimum of {minimum_head_m:.7g} m", _DENSITY_CLAUSE)
    above_m = surroundings.vapour_transmitter_height_m - level_m
    outside_m = surroundings.vapour_transmitter_height_m - nozzle_height_m
    heads = surroundings.air_density_kg_m3 * outside_m - surroundings.vapour_density_kg_m3 * above_m
    if water is not None:
        heads -= water.density_kg_m3 * deep_m
    density = (head_pa / gravity_m_s2 + heads) / head_m
    if not density > 0.0:
        raise LimitError("pressure", head_pa, "Pa", "too low for a density above zero", _DENSITY_CLAUSE)
    return density


def product_head(level_m: float, nozzle_height_m: float, water: WaterLayer | None = None) -> float:
    """How much product stands above the nozzle and above free water, in m; below zero where none does."""
    return level_m - nozzle_height_m - _above_nozzle(water, nozzle_height_m)


def _above_nozzle(water: WaterLayer | None, nozzle_height_m: float) -> float:
    return 0.0 if water is None else max(0.0, water.level_m - nozzle_height_m)


def _above_gas(name: str, density_kg_m3: float, surroundings: Surroundings) -> None:
    least = max(surroundings.vapour_density_kg_m3, surroundings.air_density_kg_m3)
    if not (math.isfinite(density_kg_m3) and density_kg_m3 > least):
        raise LimitError(name, density_kg_m3, "kg/m3", "not above those of the vapour and the air", _LEVEL_CLAUSE)


def _check(head_pa: float, nozzle_m: float, gravity_m_s2: float, surroundings: Surroundings, clause: str) -> None:
    require_finite("pressure", head_pa, "Pa", clause)
    require_finite("nozzle height", nozzle_m, "m", clause)
    require_within("gravity", gravity_m_s2, "m/s2", 9.7, 9.9, clause)
    if surroundings is not _NO_HEADS:
        require_finite("height of the vapour transmitter", surroundings.vapour_transmitter_height_m, "m", clause)
        require_within("vapour density", surroundings.vapour_density_kg_m3, "kg/m3", 0.0, 1000.0, clause)
        require_within("air density", surroundings.air_density_kg_m3, "kg/m3", 0.0, 2.0, clause)
