"""The stretch of an upright shell under the head of its liquid, and moving a table from one density to another.

A capacity table usually contains it at a stated density (API MPMS 2.2A; ISO 7507-1): then only the difference to the
liquid at hand is applied. Applying the whole again would count it twice.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from gateway.calculation.limits import require_within
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import LimitError, SettingsError

__all__ = ["CARBON_STEEL_MODULUS_PA", "Course", "head_adjustment", "head_expansion", "rescaled_table"]

_CLAUSE = "API MPMS 2.2A / ISO 7507-1, liquid head"

CARBON_STEEL_MODULUS_PA = 2.0e11
"""Young's modulus; handbooks give 2.0e11 to 2.06e11 Pa."""

_STANDARD_GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class Course:
    """One ring of shell plates. Raises SettingsError unless height and thickness are above zero."""

    height_m: float
    thickness_m: float

    def __post_init__(self) -> None:
        for name, value in (("height", self.height_m), ("thickness", self.thickness_m)):
            if not 0.0 < value < math.inf:
                raise SettingsError((f"shell course: {name} {value:.7g} m; it must be above zero",))


def head_expansion(
    level_m: float,
    density_kg_m3: float,
    diameter_m: float,
    courses: Sequence[Course],
    gravity_m_s2: float = _STANDARD_GRAVITY,
    modulus_pa: float = CARBON_STEEL_MODULUS_PA,
) -> float:
    """dV in m3 that the shell gains under `level_m` of liquid, beside the empty shell.

    dV = pi D^3 rho g / (4 E) x sum over courses of ((L - z0)^2 - (L - z1)^2) / (2 t), z0..z1 the wetted part of a
    course; for one thickness pi D^3 rho g L^2 / (8 E t). Rings are taken as free: the bottom's hold on the lowest
    course and the heads of vessels are left out. `courses` lowest first, `level_m` above the lowest.
    Raises LimitError above the top course, below zero, and for values outside 0..5000 kg/m3 or of no use.
    """
    top_m = math.fsum(course.height_m for course in courses)
    require_within("level", level_m, "m", 0.0, top_m, _CLAUSE)
    require_within("density", density_kg_m3, "kg/m3", 0.0, 5000.0, _CLAUSE)
    require_within("gravity", gravity_m_s2, "m/s2", 9.7, 9.9, _CLAUSE)
    require_within("Young's modulus", modulus_pa, "Pa", 1e9, 1e12, _CLAUSE)
    if not 0.0 < diameter_m < math.inf:
        raise LimitError("diameter", diameter_m, "m", "not above zero", _CLAUSE)
    total = 0.0
    low_m = 0.0
    for course in courses:
        if low_m >= level_m:
            break
        high_m = min(low_m + course.height_m, level_m)
        total += ((level_m - low_m) ** 2 - (level_m - high_m) ** 2) / (2.0 * course.thickness_m)
        low_m += course.height_m
    return math.pi * diameter_m**3 * density_kg_m3 * gravity_m_s2 / (4.0 * modulus_pa) * total


def head_adjustment(
    level_m: float,
    density_kg_m3: float,
    table_density_kg_m3: float | None,
    diameter_m: float,
    courses: Sequence[Course],
    gravity_m_s2: float = _STANDARD_GRAVITY,
    modulus_pa: float = CARBON_STEEL_MODULUS_PA,
) -> float:
    """m3 to add to a table's volume for a liquid of `density_kg_m3` at tank temperature.

    A table made at `table_density_kg_m3` contains its own stretch: only rho / rho_t - 1 of it is added. None: the
    table leaves the stretch out, and the whole is added. Raises LimitError as `head_expansion`.
    """
    included = 0.0 if table_density_kg_m3 is None else table_density_kg_m3
    require_within("density of the table", included, "kg/m3", 0.0, 5000.0, _CLAUSE)
    require_within("density", density_kg_m3, "kg/m3", 0.0, 5000.0, _CLAUSE)
    per_density = head_expansion(level_m, 1.0, diameter_m, courses, gravity_m_s2, modulus_pa)
    return per_density * (density_kg_m3 - included)


def rescaled_table(
    table: CapacityTable,
    density_kg_m3: float,
    diameter_m: float,
    courses: Sequence[Course],
    gravity_m_s2: float = _STANDARD_GRAVITY,
    modulus_pa: float = CARBON_STEEL_MODULUS_PA,
) -> CapacityTable:
    """`table` for a liquid of `density_kg_m3`, which the new table states as contained.

    Raises SettingsError where the table does not state whether it contains the stretch, and where volumes would fall;
    LimitError where it reaches above the courses. Rows below level zero are left as they are.
    """
    if table.head_included is None:
        text = "does not state whether it contains the liquid head; state it, or the stretch may be counted twice"
        raise SettingsError((f"capacity table {table.name}: {text}",))
    volumes = tuple(
        volume
        + head_adjustment(
            max(0.0, level), density_kg_m3, table.head_density_kg_m3, diameter_m, courses, gravity_m_s2, modulus_pa
        )
        for level, volume in zip(table.levels_m, table.volumes_m3, strict=True)
    )
    return replace(table, volumes_m3=volumes, head_included=True, head_density_kg_m3=density_kg_m3)
