"""A tank's capacity table against what the site file says of the tank: its size, and the dimensions beside it.

All are warnings: a calibration may well differ from the drawing, and it is right then. A person has to see it.
"""

import math

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import Form, against_shape, size_in_doubt, usual_surface_m2
from gateway.settings.reading.document import KeyPath
from gateway.settings.tanks.manual import ManualValues
from gateway.settings.tanks.models import TankModel
from gateway.settings.tanks.shape_models import VesselKind

__all__ = ["check_table", "form_of"]

_SAME_AREA = 0.005


def form_of(kind: VesselKind | None) -> Form:
    """What the size of a tank is judged by."""
    match kind:
        case VesselKind.LYING_CYLINDER:
            return Form.LYING
        case VesselKind.SPHERE:
            return Form.SPHERE
        case _:
            return Form.UPRIGHT


def check_table(
    table: CapacityTable,
    model: TankModel,
    kind: VesselKind | None,
    dimensions: Capacity | None,
    path: KeyPath,
    manual: ManualValues,
) -> None:
    """Warn of a table whose volumes mean an absurd tank, or one that is half a percent off what stands beside it."""
    here: KeyPath = (*path, "capacity_table")
    doubt = size_in_doubt(table, form_of(kind))
    if doubt is not None:
        manual.warn(here, doubt)
    if dimensions is not None:
        beyond = against_shape(table, dimensions).beyond
        if beyond:
            rows = sum(apart.rows for apart in beyond)
            worst = max(beyond, key=lambda apart: abs(apart.worst.difference_m3))
            text = f"{rows:,} {'row is' if rows == 1 else 'rows are'} off these dimensions"
            manual.warn((*here, "compare_with"), f"{text}: {worst.text}; `tank-gateway table check` says more")
    head = model.liquid_head
    surface = usual_surface_m2(table)
    if head is not None and head.diameter is not None and surface > 0.0:
        fitting = math.sqrt(4.0 * surface / math.pi)
        if abs((head.diameter / fitting) ** 2 - 1.0) > _SAME_AREA:
            text = f"is more than 0.5 % in surface off the capacity table, whose volumes are those of {fitting:.3f} m"
            manual.warn((*path, "liquid_head", "diameter"), text)
