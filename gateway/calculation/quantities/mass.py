"""Mass of a liquid from volume and density, and its weight in air by a stated convention."""

from gateway.calculation.limits import require_within
from gateway.calculation.plan import AirBuoyancy, AirConvention

__all__ = ["air_factor", "air_from_vacuo_density", "dry_mass", "liquid_mass", "vacuo_from_air_density", "weight_in_air"]

_CONVENTIONAL = AirBuoyancy()
_CLAUSE = "weight in air, OIML D 28"
_DENSITY = (100.0, 3000.0)


def liquid_mass(volume_m3: float, density: float) -> float:
    """Mass in kg, in vacuo: volume in m3 times the density in kg/m3 that belongs to that volume.

    GSV with the reference density, or GOV with the observed density: the same mass when one CTL and CPL joins them
    (API MPMS 12.1.1).
    """
    return volume_m3 * density


def dry_mass(mass_kg: float, solute_fraction: float) -> float:
    """Mass in kg of the dry substance in a solution of mass fraction `solute_fraction` (0.5 for 50 %)."""
    return mass_kg * require_within("mass fraction", solute_fraction, "1", 0.0, 1.0, "mass fraction of the solute")


def air_factor(density: float, buoyancy: AirBuoyancy = _CONVENTIONAL) -> float:
    """Weight in air over mass, for a liquid of `density` kg/m3 (at reference where there is one, else observed).

    BUOYANCY: (1 - air/density)/(1 - air/weights), OIML D 28 with 1.2 and 8000 kg/m3 unless stated otherwise.
    DENSITY_REDUCTION: 1 - 1.1/density, the trade's volume x (density - 1.1); common practice.
    TABLE_56: 1.00015 - 1.22/density, the smooth line through the steps of ASTM D1250 (1980) Table 56.
    They differ by up to 1e-4: a contract names one of them. Raises LimitError outside 100..3000 kg/m3.
    """
    if not _DENSITY[0] <= density <= _DENSITY[1]:
        require_within("density", density, "kg/m3", *_DENSITY, _CLAUSE)
    match buoyancy.convention:
        case AirConvention.BUOYANCY:
            air = buoyancy.air_density_kg_m3
            return (1.0 - air / density) / (1.0 - air / buoyancy.weights_density_kg_m3)
        case AirConvention.DENSITY_REDUCTION:
            return 1.0 - 1.1 / density
        case AirConvention.TABLE_56:
            return 1.00015 - 1.22 / density


def weight_in_air(mass_kg: float, density: float, buoyancy: AirBuoyancy = _CONVENTIONAL) -> float:
    """Weight in air in kg of `mass_kg` of a liquid of `density` kg/m3: mass times `air_factor`. Raises LimitError."""
    return mass_kg * air_factor(density, buoyancy)


def air_from_vacuo_density(density: float, buoyancy: AirBuoyancy = _CONVENTIONAL) -> float:
    """Weight in air of one m3 (kg/m3; over 1000 the `litre weight in air` in kg/l) from the true density in kg/m3."""
    return density * air_factor(density, buoyancy)


def vacuo_from_air_density(air_density: float, buoyancy: AirBuoyancy = _CONVENTIONAL) -> float:
    """True density in kg/m3 from the weight in air of one m3, kg/m3: the inverse of `air_from_vacuo_density`.

    Every convention is linear in density: weight = slope x density - constant. Raises LimitError outside 100..3000.
    """
    require_within("weight in air of one m3", air_density, "kg/m3", *_DENSITY, _CLAUSE)
    match buoyancy.convention:
        case AirConvention.BUOYANCY:
            air = buoyancy.air_density_kg_m3
            return air_density * (1.0 - air / buoyancy.weights_density_kg_m3) + air
        case AirConvention.DENSITY_REDUCTION:
            return air_density + 1.1
        case AirConvention.TABLE_56:
            return (air_density + 1.22) / 1.00015
