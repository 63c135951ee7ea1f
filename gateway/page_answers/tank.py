"""One tank over HTTP: its newest inventory, the readings that feed it, and by what it is calculated."""

from collections.abc import Sequence
from typing import Any

from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.cautions import MONITORING, NOT_FOR_CUSTODY
from gateway.page_answers.parts import Parts, made
from gateway.payload.plain import iso_time
from gateway.payload.readings import readings_documents
from gateway.payload.told import reasons_in, sentence_documents
from gateway.payload.writer import inventory_payload
from gateway.records import Reading, Reason
from gateway.settings import TankSetup
from gateway.tank_record import TankRecord
from gateway.web.interface.contract import Call, Made

__all__ = ["TankPages"]

_CAUTIONS = (MONITORING, NOT_FOR_CUSTODY)
_SINGLE = ("level", "second_level", "bottom_pressure", "vapour_pressure", "water", "ambient")
"""Of a binding: what one source feeds."""

_BY_HAND = {
    "level": "m",
    "water": "m",
    "temperature": "degC",
    "reference_density": "kg/m3",
    "observed_density": "kg/m3",
    "sediment_water": "1",
}
"""The unit of what people enter, by its key in `gateway.records.ENTRIES`."""


class TankPages:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def tank(self, call: Call) -> Made:
        parts = self._parts
        setup = parts.setup(call)
        tag, settings = setup.plan.tank, parts.site()
        record = parts.record(tag)
        feeding = {source.key for source in setup.binding.sources}
        instruments = {source.instrument for source in setup.binding.sources}
        readings = [each for each in parts.pipeline.readings() if each.instrument in instruments]
        # What feeds this tank comes first: an instrument may have signals of others.
        readings.sort(key=lambda each: (each.instrument, (each.instrument, each.signal) not in feeding))
        return made(
            {
                "schema": "tank-gateway/page-tank/1",
                "tank": tag,
                "time": iso_time(parts.now()),
                "simulated": settings.simulated,
                "inventory": None if record is None else inventory_payload(record),
                "readings": readings_documents(readings, settings.signal_units),
                "plan": _plan(setup, record),
                "sentences": sentence_documents(_reasons(record, readings)),
                "cautions": list(_CAUTIONS),
            }
        )


def _reasons(record: TankRecord | None, readings: Sequence[Reading]) -> list[Reason]:
    told = [each.reason for each in readings if each.reason is not None]
    return told if record is None else [*reasons_in((record.inventory, record.state)), *told]


def _plan(setup: TankSetup, record: TankRecord | None) -> dict[str, Any]:
    plan, binding = setup.plan, setup.binding
    method = plan.product.method
    reference_c = method.reference_temperature_c
    levels = (
        ("minimum", plan.limits.minimum_m),
        ("maximum_working", plan.limits.maximum_working_m),
        ("high_high", plan.limits.high_high_m),
        ("critical_high", plan.limits.critical_high_m),
    )
    return {
        "id": None if record is None else record.plan or None,
        "description": setup.description,
        "kind": None if setup.kind is None else setup.kind.value,
        "product": plan.product.name,
        "method": method.clause,
        "reference_temperature": None if reference_c is None else {"value": reference_c, "unit": "degC"},
        "table": _table(plan),
        "density": _densities(binding),
        "by_hand": [
            {
                "quantity": quantity,
                "value": manual.value,
                "unit": _BY_HAND[quantity],
                "origin": manual.origin,
                "entered": None if manual.entered is None else iso_time(manual.entered),
                "expires": None if manual.expires is None else iso_time(manual.expires),
                "stands_in": manual.substitutes,
            }
            for quantity, manual in binding.entries
        ],
        "limits": [{"limit": name, "level": level} for name, level in levels if level is not None],
        "lowest": min(0.0, plan.capacity.bottom_m),
        "full": plan.capacity.top_m,
        "reference_height": plan.reference_height_m,
        "roof": None if plan.roof is None else "floating",
        "pressurised": plan.pressurised,
        "free_water": plan.free_water.value,
        "elements": _elements(plan, binding),
        "immersion_margin": plan.temperature.immersion_margin_m,
        "instruments": _instruments(binding),
        "period_s": setup.period_s,
    }


def _table(plan: TankPlan) -> dict[str, Any]:
    capacity = plan.capacity
    is_table = isinstance(capacity, CapacityTable)
    dated = capacity.date if isinstance(capacity, CapacityTable) else None
    return {
        "name": capacity.name if isinstance(capacity, CapacityTable) else "",
        "clause": capacity.clause,
        "kind": "table" if is_table else "shape",
        "datum": capacity.datum if isinstance(capacity, CapacityTable) else "",
        "date": None if dated is None else dated.isoformat(),
        "rows": len(capacity.levels_m) if isinstance(capacity, CapacityTable) else None,
        "lowest": capacity.bottom_m,
        "highest": capacity.top_m,
        "heel": capacity.heel_m3,
        "notes": capacity.notes if isinstance(capacity, CapacityTable) else "",
    }


def _densities(binding: TankBinding) -> list[dict[str, Any]]:
    given = (("reference", binding.reference_density), ("tank", binding.observed_density))
    return [
        {
            "value": density.value,
            "unit": "kg/m3",
            "at": at,
            "origin": density.origin,
            "entered": None if density.entered is None else iso_time(density.entered),
            "expires": None if density.expires is None else iso_time(density.expires),
            "how": density.how,
        }
        for at, density in given
        if density is not None
    ]


def _elements(plan: TankPlan, binding: TankBinding) -> list[dict[str, Any]]:
    sources = [*binding.elements, *[None] * len(plan.temperature.elements)]
    return [
        {
            "height": element.height_m,
            "name": element.name,
            "instrument": None if source is None else source.instrument,
            "signal": None if source is None else source.signal,
        }
        for element, source in zip(plan.temperature.elements, sources, strict=False)
    ]


def _instruments(binding: TankBinding) -> dict[str, str]:
    found = {name: getattr(binding, name).name for name in _SINGLE if getattr(binding, name) is not None}
    found |= {f"element_{number}": source.name for number, source in enumerate(binding.elements, 1)}
    return found | {f"flow_{number}": source.name for number, source in enumerate(binding.flows, 1)}
