"""The calculation sheet of a tank over HTTP: every step with what it rests on, as `dip` tells it of hand-measured
values."""

from typing import Any

from gateway.calculation.sheet import explain
from gateway.cautions import METHODS, NOT_FOR_CUSTODY, VALVE
from gateway.page_answers.parts import Parts, made
from gateway.payload.plain import reason_document, time_of_age
from gateway.payload.told import reasons_in, sentence_documents
from gateway.payload.writer import inventory_payload
from gateway.records import Input, Quality, TankInput
from gateway.sheet_document import concerns_other_tanks, input_document, step_documents
from gateway.web.interface.contract import Call, Made, UnknownError

__all__ = ["Sheets"]

_CAUTIONS = (METHODS, NOT_FOR_CUSTODY, VALVE)
_INPUTS = (
    ("level", "level"),
    ("second_level", "second_level"),
    ("dip_level", "level"),
    ("bottom_pressure", "bottom_pressure"),
    ("vapour_pressure", "vapour_pressure"),
    ("water", "water_level"),
    ("dip_water", "water_level"),
    ("manual_temperature", "liquid_temperature"),
    ("ambient", "ambient_temperature"),
    ("reference_density", "reference_density"),
    ("observed_density", "observed_density"),
    ("sediment_water", "sediment_water"),
)
"""Fields of a `TankInput`, and the figure whose unit each has."""


class Sheets:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def sheet(self, call: Call) -> Made:
        """Of its newest figures. Raises UnknownError before the first."""
        tag = self._parts.setup(call).plan.tank
        tank = self._parts.pipeline.tank(tag)
        if tank is None or tank.latest is None:
            raise UnknownError(f"{tag} has no sheet yet", "its instruments have not answered so far; see /lines")
        record = tank.latest
        inventory = record.inventory
        density = tank.binding.reference_density
        lines = explain(tank.plan, inventory, "" if density is None else density.how)
        payload = inventory_payload(record)
        steps = [
            {
                **step,
                "value": None if line.quality is Quality.BAD else line.value,
                "applies": not concerns_other_tanks(line),
            }
            for step, line in zip(step_documents(lines), lines, strict=True)
        ]
        return made(
            {
                "schema": "tank-gateway/page-sheet/1",
                "tank": tag,
                "product": inventory.product,
                "time": payload["time"],
                "quality": payload["quality"],
                "simulated": inventory.simulated,
                "reference_temperature": payload["reference_temperature"],
                "sources": payload["sources"],
                "inputs": _inputs(record.tank_input),
                "steps": steps,
                "sentences": sentence_documents(reasons_in((inventory, record.tank_input))),
                "cautions": list(_CAUTIONS),
            }
        )


def _inputs(given: TankInput) -> list[dict[str, Any]]:
    found = [_input(name, form, each, given) for name, form in _INPUTS if (each := getattr(given, name)) is not None]
    return found + [
        _input(f"element_{number}", "liquid_temperature", element, given)
        for number, element in enumerate(given.elements, 1)
    ]


def _input(name: str, form: str, each: Input, given: TankInput) -> dict[str, Any]:
    return {
        **input_document(name, form, each),
        "reason": None if each.reason is None else reason_document(each.reason),
        "time": time_of_age(given.instant, each.age_s),
    }
