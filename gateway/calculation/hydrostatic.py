"""What the pressure of a liquid column tells: level from density, density from level, and local gravity.

Both transmitters give gauge pressure. With P1 at the nozzle Z1, P3 above the liquid at Z3 and the level L, the balance
of the columns of liquid, vapour and outside air is
    P1 - P3 = rho g (L - Z1) + rho_vapour g (Z3 - L) - rho_air g (Z3 - Z1)
(API MPMS 3.6 and 3.7; ISO 15169 and ISO 11223).
"""

import math
from typing import NamedTuple

from gateway.calculation.limits import require_finite, require_within
from gateway.errors import LimitError

__all__ = ["Surroundings", "density_from_pressure", "level_from_pressure", "normal_gravity"]

_LEVEL_CLAUSE = "API MPMS 3.7 / ISO 11223, level from pressure"
_DENSITY_CLAUSE = "API MPMS 3.6 / ISO 15169, density from pressure"
_GRAVITY_CLAUSE = "GRS80 normal gravity"

# GRS80 (Moritz, Geodetic Reference System 1980, Journal of Geodesy 74, 2000): gravity at the equator, the constant of
# Somigliana's formula and the first eccentricity squared; gradient of free air at the surface.
_EQUATOR_M_S2 = 9.7803267715
_SOMIGLIANA = 0.001931851353
_ECCENTRICITY_SQUARED = 0.00669438002290
_FREE_AIR_PER_S2 = 3.0877e-6


class Surroundings(NamedTuple):
    """What stands above and beside the liquid. Zeros leave the vapour's and the air's heads out."""

    vapour_transmitter_height_m: float = 0.0
    """Height of P3 above the datum; of no effect while both densities are zero."""
    vapour_density_kg_m3: float = 0.0
    air_density_kg_m3: float = 0.0


_NO_HEADS = Surroundings()


def normal_gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Local gravity in m/s2: Somigliana's formula on GRS80, less 3.0877e-6 /s2 times the altitude (free air).

    Good to about 0.05 %; a surveyed value is better. Raises LimitError outside -90..90 deg and -500..9000 m.
    """
    require_within("latitude", latitude_deg, "deg", -90.0, 90.0, _GRAVITY_CLAUSE)
    require_within("altitude", altitude_m, "m", -500.0, 9000.0, _GRAVITY_CLAUSE)
    sine_squared = math.sin(math.radians(latitude_deg)) ** 2
    at_sea = _EQUATOR_M_S2 * (1.0 + _SOMIGLIANA * sine_squared) / math.sqrt(1.0 - _ECCENTRICITY_SQUARED * sine_squared)
    return at_sea - _FREE_AIR_PER_S2 * altitude_m


def level_from_pressure(
    head_pa: float,
    density_kg_m3: float,
    nozzle_height_m: float,
    gravity_m_s2: float,
    surroundings: Surroundings = _NO_HEADS,
) -> float:
    """Level in m above the datum: nozzle + P / (g rho), with rho at tank temperature and P = P1 - P3.

    Raises LimitError where the pressure is zero or less: the surface is at or below the nozzle, and how far is not
    known; and where the density is not above those of vapour and air, or gravity is outside 9.7..9.9 m/s2.
    """
    _check(head_pa, nozzle_height_m, gravity_m_s2, surroundings, _LEVEL_CLAUSE)
    vapour, air = surroundings.vapour_density_kg_m3, surroundings.air_density_kg_m3
    if not (math.isfinite(density_kg_m3) and density_kg_m3 > max(vapour, air)):
        raise LimitError("density", density_kg_m3, "kg/m3", "not above those of the vapour and the air", _LEVEL_CLAUSE)
    to_p3_m = surroundings.vapour_transmitter_height_m - nozzle_height_m
    head_m = (head_pa / gravity_m_s2 - (vapour - air) * to_p3_m) / (density_kg_m3 - vapour)
    if not head_m > 0.0:
        limit = "no head of liquid: the surface is at or below the nozzle"
        raise LimitError("pressure", head_pa, "Pa", limit, _LEVEL_CLAUSE)
    return nozzle_height_m + head_m


def density_from_pressure(
    head_pa: float,
    level_m: float,
    nozzle_height_m: float,
    gravity_m_s2: float,
    surroundings: Surroundings = _NO_HEADS,
    minimum_head_m: float = 1.0,
) -> float:
    """Density in kg/m3 at tank temperature: (P1 - P3) / (g (L - Z1)) with the heads of vapour and air, P = P1 - P3.

    The mean of the liquid above the nozzle. Raises LimitError under `minimum_head_m` of liquid, where a small error
    of pressure is a large one of density (20 Pa is 0.5 kg/m3 at 4 m, 2 kg/m3 at 1 m), and where it comes out at zero
    or less.
    """
    _check(head_pa, nozzle_height_m, gravity_m_s2, surroundings, _DENSITY_CLAUSE)
    require_finite("level", level_m, "m", _DENSITY_CLAUSE)
    if not minimum_head_m > 0.0:
        raise LimitError("minimum head", minimum_head_m, "m", "not above zero", _DENSITY_CLAUSE)
    head_m = level_m - nozzle_height_m
    if head_m < minimum_head_m:
        raise LimitError("head of liquid", head_m, "m", f"below the minimum of {minimum_head_m:.7g} m", _DENSITY_CLAUSE)
    above_m = surroundings.vapour_transmitter_height_m - level_m
    outside_m = surroundings.vapour_transmitter_height_m - nozzle_height_m
    heads = surroundings.air_density_kg_m3 * outside_m - surroundings.vapour_density_kg_m3 * above_m
    density = (head_pa / gravity_m_s2 + heads) / head_m
    if not density > 0.0:
        raise LimitError("pressure", head_pa, "Pa", "too low for a density above zero", _DENSITY_CLAUSE)
    return density


def _check(head_pa: float, nozzle_m: float, gravity_m_s2: float, surroundings: Surroundings, clause: str) -> None:
    require_finite("pressure", head_pa, "Pa", clause)
    require_finite("nozzle height", nozzle_m, "m", clause)
    require_within("gravity", gravity_m_s2, "m/s2", 9.7, 9.9, clause)
    if surroundings is not _NO_HEADS:
        require_finite("height of the vapour transmitter", surroundings.vapour_transmitter_height_m, "m", clause)
        require_within("vapour density", surroundings.vapour_density_kg_m3, "kg/m3", 0.0, 1000.0, clause)
        require_within("air density", surroundings.air_density_kg_m3, "kg/m3", 0.0, 2.0, clause)
