"""Pure: the steps of a calculation sheet and what went into it, as plain values for programs."""

from collections.abc import Iterable, Sequence
from typing import Any

from gateway.calculation.sheet import SheetLine
from gateway.display import DEFINITIONS
from gateway.records import Input, Quality, ReasonCode, TankInput

__all__ = ["SHEET_INPUTS", "concerns_other_tanks", "given_inputs", "input_document", "step_documents"]

SHEET_INPUTS = (
    ("level", "Level by tape", "level"),
    ("dip_water", "Free-water level", "water_level"),
    ("manual_temperature", "Liquid temperature", "liquid_temperature"),
    ("reference_density", "Density at reference temperature", "reference_density"),
    ("observed_density", "Density at tank temperature", "observed_density"),
    ("sediment_water", "Sediment and water", "sediment_water"),
    ("bottom_pressure", "Pressure at the nozzle, gauge", "bottom_pressure"),
    ("vapour_pressure", "Vapour pressure, gauge", "vapour_pressure"),
    ("ambient", "Ambient temperature", "ambient_temperature"),
)
"""Fields of a `TankInput` that a person may give, their names by hand, and the figure whose form each is shown in."""


def concerns_other_tanks(line: SheetLine) -> bool:
    """Whether a line may be left out. That a product has no standard volume must be said."""
    if line.name == "gsv":
        return False
    return line.quality is Quality.GOOD and any(reason.code is ReasonCode.NOT_APPLICABLE for reason in line.reasons)


def given_inputs(tank_input: TankInput) -> list[tuple[str, str, str, Input]]:
    """Those of `SHEET_INPUTS` that are there."""
    found = []
    for field, title, form in SHEET_INPUTS:
        given: Input | None = getattr(tank_input, field)
        if given is not None:
            found.append((field, title, form, given))
    return found


def input_document(name: str, form: str, given: Input) -> dict[str, Any]:
    """`form`: the figure whose unit it has."""
    return {
        "name": name,
        "value": None if given.quality is Quality.BAD else given.value,
        "unit": DEFINITIONS[form].unit,
        "quality": given.quality.word,
        "source": given.source,
        "manual": given.manual,
    }


def step_documents(lines: Iterable[SheetLine]) -> Sequence[dict[str, Any]]:
    """Each with what it rests on, and the relation by which it follows from that. In SI, at full precision."""
    return [
        {
            "name": line.name,
            "symbol": line.symbol,
            "title": line.title,
            "value": line.value,
            "unit": line.unit,
            "quality": line.quality.word,
            "manual": line.manual,
            "reasons": [{"code": reason.code, "text": reason.text} for reason in line.reasons],
            "clause": line.clause,
            "inputs": list(line.inputs),
        }
        for line in lines
    ]
