"""Roof, shell, vapour, measured density and liquid head of a tank: from the site file to their frozen plans.

Each is checked against the tank's kind and against what its capacity table says of itself.
"""

import math
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.limits import require_within
from gateway.calculation.plan import (
    LiquidHeadPlan,
    MeasuredDensityPlan,
    PressurePlan,
    RoofPlan,
    ShellPlan,
    VapourPlan,
)
from gateway.calculation.quantities.liquid_head import CARBON_STEEL_MODULUS_PA, Course, head_expansion
from gateway.calculation.quantities.shell import METALS
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.errors import LimitError
from gateway.settings.products.densities import BuiltProduct
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import Checked, suggestion
from gateway.settings.tanks.columns import ColumnBuilder
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.settings.tanks.shape_models import UprightCylinderModel, VesselKind
from gateway.settings.tanks.vapour_plans import VapourPlans

__all__ = ["OptionalPlans", "build_optional_plans"]

# Plates of a shell: an error of unit is a factor of 25 or 1000.
_THICKNESS_M = (0.002, 0.100)
_SHELL_ABOVE_TOP_M = 5.0
_SAME_DENSITY = 0.05
_SAME_AREA = 0.05
_UPRIGHT = (VesselKind.UPRIGHT_CYLINDER, VesselKind.RECTANGULAR)


class OptionalPlans(NamedTuple):
    """What not every tank has. None: the tank has none, or a mistake says what is wrong."""

    roof: RoofPlan | None
    shell: ShellPlan | None
    vapour: VapourPlan | None
    pressure: PressurePlan
    measured_density: MeasuredDensityPlan | None
    liquid_head: LiquidHeadPlan | None


def build_optional_plans(
    checked: Checked[TankModel],
    capacity: Capacity | None,
    product: BuiltProduct | None,
    kind: VesselKind | None,
    document: Document,
    path: KeyPath,
    mistakes: Mistakes,
    manual: ManualValues,
    columns: ColumnBuilder,
) -> OptionalPlans:
    """`capacity` or `product` None: what rests on it is left unchecked; `kind` None: a capacity table that
    does not say."""
    builder = _Builder(checked, capacity, kind, document, path, mistakes, manual)
    vapour = VapourPlans(checked, product, document, path, mistakes, manual)
    return OptionalPlans(
        builder.roof(),
        builder.shell(),
        vapour.vapour(),
        vapour.pressure(),
        builder.measured_density(checked, columns),
        builder.liquid_head(),
    )


class _Builder:
    def __init__(
        self,
        checked: Checked[TankModel],
        capacity: Capacity | None,
        kind: VesselKind | None,
        document: Document,
        path: KeyPath,
        mistakes: Mistakes,
        manual: ManualValues,
    ) -> None:
        self._model = checked.model
        self._dropped = checked.dropped
        self._capacity = capacity
        self._table = capacity if isinstance(capacity, CapacityTable) else None
        self._kind = kind
        self._document = document
        self._path = path
        self._mistakes = mistakes
        self._manual = manual

    def _add(self, *keys: str | int, text: str) -> None:
        self._mistakes.add((*self._path, *keys), text)

    def _wrong(self, *keys: str | int, text: str) -> None:
        """Report `text` at a key, after the value as it was written."""
        self._add(*keys, text=f"{self._document.text((*self._path, *keys))} {text}")

    def _not_for(self, key: str, kinds: tuple[VesselKind, ...], why: str) -> bool:
        """Whether the tank's kind rules out what stands at the key; then it is reported."""
        if self._kind is None or self._kind in kinds:
            return False
        self._add(key, text=f"a {self._kind.words} has none: {why}; leave it out")
        return True

    def roof(self) -> RoofPlan | None:
        roof = self._model.roof
        if roof is None or self._not_for("roof", (VesselKind.UPRIGHT_CYLINDER,), "a roof floats in an upright shell"):
            return None
        density = None if roof.table_density is None else roof.table_density.value
        if density is not None and self._capacity is not None and self._table is None:
            self._add("roof", "table_density", text="a shape does not deduct the roof; leave it out")
        if density is None and self._table is not None and self._table.roof_included:
            density = self._table.roof_density_kg_m3
        return RoofPlan(roof.mass, roof.critical_low, roof.critical_high, density)

    def shell(self) -> ShellPlan | None:
        shell = self._model.shell
        why = "the relation holds for upright shells (API MPMS 12.1.1)"
        if shell is None or not shell.counted or self._not_for("shell", _UPRIGHT, why):
            return None
        coefficient = shell.expansion
        if shell.metal is not None:
            metals = {metal.name: metal.linear_coefficient_per_c for metal in METALS}
            if shell.metal not in metals:
                text = f"'{shell.metal}' is not a known metal; {suggestion(shell.metal, metals)}; or give expansion"
                self._add("shell", "metal", text=text)
                return None
            coefficient = metals[shell.metal]
        temperature_c = shell.table_temperature
        if temperature_c is None:
            temperature_c = None if self._table is None else self._table.temperature_c
        if temperature_c is None or coefficient is None:
            if self._capacity is not None:
                text = "is missing; give the temperature of the steel at which the volumes hold, for example 15 degC"
                self._add("shell", "table_temperature", text=text)
            return None
        if not shell.insulated and self._model.ambient is None and "ambient" not in self._dropped:
            text = "a bare shell needs ambient, the temperature of the air; without it results are Uncertain"
            self._manual.warn((*self._path, "shell"), text)
        return ShellPlan(coefficient, temperature_c, shell.insulated)

    def measured_density(self, checked: Checked[TankModel], columns: ColumnBuilder) -> MeasuredDensityPlan | None:
        given = self._model.measured_density
        if given is None:
            return None
        here = "measured_density"
        if given.minimum_head <= 0.0:
            self._wrong(here, "minimum_head", text="is no head of liquid; give for example 1 m")
        capacity = self._capacity
        if capacity is not None:
            highest = capacity.top_m - max(0.0, given.minimum_head)
            try:
                require_within("nozzle", given.nozzle_height, "m", capacity.bottom_m, highest, "")
            except LimitError:
                text = f"leaves no room for minimum_head; give {capacity.bottom_m:.3f} m to {highest:.3f} m"
                self._wrong(here, "nozzle_height", text=text)
        column = columns.build(given, checked, (*self._path, here))
        return MeasuredDensityPlan(
            given.nozzle_height, given.in_use, given.minimum_head, given.difference_limit, column
        )

    def liquid_head(self) -> LiquidHeadPlan | None:
        head = self._model.liquid_head
        why = "the relation holds for upright cylinders (API MPMS 2.2A)"
        if head is None or self._capacity is None:
            return None
        if self._not_for("liquid_head", (VesselKind.UPRIGHT_CYLINDER,), why):
            return None
        before = self._mistakes.count
        courses = self._courses(self._capacity)
        diameter = self._head_diameter(self._capacity)
        contained = self._contained()
        if self._mistakes.count != before or diameter is None:
            return None
        plan = LiquidHeadPlan(diameter, courses, contained, head.modulus or CARBON_STEEL_MODULUS_PA)
        try:
            head_expansion(0.0, 1000.0, diameter, courses, modulus_pa=plan.modulus_pa)
        except LimitError as error:
            self._add("liquid_head", "modulus", text=str(error))
        return plan

    def _courses(self, capacity: Capacity) -> tuple[Course, ...]:
        head = self._model.liquid_head
        given = () if head is None else head.courses
        for index, course in enumerate(given):
            lowest, highest = _THICKNESS_M
            if course.height <= 0.0:
                self._wrong("liquid_head", "courses", index, "height", text="is no height; give more than 0 m")
            if not lowest <= course.thickness <= highest:
                text = f"is no thickness of a shell plate; give {1000.0 * lowest:g} to {1000.0 * highest:g} mm"
                self._wrong("liquid_head", "courses", index, "thickness", text=text)
        total = math.fsum(course.height for course in given)
        if total < capacity.top_m - 1e-9:
            text = f"reach {total:.3f} m, not the highest level, {capacity.top_m:.3f} m; give every course"
            self._add("liquid_head", "courses", text=text)
        elif total > capacity.top_m + _SHELL_ABOVE_TOP_M:
            text = f"reach {total:.4g} m, far above the highest level, {capacity.top_m:.3f} m; see to their units"
            self._add("liquid_head", "courses", text=text)
        usable = [course for course in given if course.height > 0.0 and course.thickness > 0.0]
        return tuple(Course(course.height, course.thickness) for course in usable)

    def _head_diameter(self, capacity: Capacity) -> float | None:
        head, shape = self._model.liquid_head, self._model.shape
        given = None if head is None else head.diameter
        if isinstance(shape, UprightCylinderModel):
            if given is not None:
                self._add("liquid_head", "diameter", text="is that of the shape; leave it out")
            return shape.diameter
        if given is None:
            self._add("liquid_head", "diameter", text="is missing; a capacity table does not give it")
            return None
        area = (capacity.volume(capacity.top_m) - capacity.volume(capacity.bottom_m)) / (
            capacity.top_m - capacity.bottom_m
        )
        fitting = math.sqrt(4.0 * area / math.pi)
        if abs(given / fitting - 1.0) > _SAME_AREA:
            text = f"does not fit the capacity table, whose volumes are those of {fitting:.2f} m"
            self._wrong("liquid_head", "diameter", text=text)
        return given

    def _contained(self) -> float | None:
        """Density at which the volumes already contain the stretch, None where they leave it out."""
        head, table = self._model.liquid_head, self._table
        given = None if head is None else head.table_density
        key = ("liquid_head", "table_density")
        stands = self._document.node((*self._path, *key)) is not None
        if table is None:
            if given is not None:
                self._add(*key, text="a shape does not contain the stretch; leave it out")
            return None
        if table.head_included is None:
            if not stands:
                text = "is missing, and the capacity table does not say; give the density at which it contains the"
                self._add(*key, text=f"{text} liquid head, or none: counted twice it would be wrong unnoticed")
            return given
        stated = table.head_density_kg_m3
        if stands and (given is None) != (stated is None):
            what = f"contains the liquid head at {stated:.7g} kg/m3" if stated is not None else "does not contain it"
            self._add(*key, text=f"the capacity table says that it {what}; leave it out")
        elif given is not None and stated is not None and abs(given - stated) > _SAME_DENSITY:
            text = f"the capacity table contains the liquid head at {stated:.7g} kg/m3; give that, or leave it out"
            self._add(*key, text=text)
        return stated
