"""What the page is told of a site that stays as it is until its file, or what a tank holds, is another.

JSON Schema: gateway/payload/schemas/page-site.json. All values SI, levels in m above the datum of the tank.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

import orjson

from gateway.binding import TankBinding
from gateway.calculation.plan import GaugePlan, HeadPlan, TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.settings import SiteSettings, TankSetup

__all__ = ["CAUTIONS", "PAGE_SITE_SCHEMA", "Told", "site_document", "site_pieces"]

PAGE_SITE_SCHEMA = "tank-gateway/page-site/1"
CAUTIONS = (
    "Monitoring only: not an overfill prevention system, and no part of a safety function.",
    "Not for custody transfer, fiscal, excise or legal-metrology use.",
    "A number on a screen never authorises opening a valve: follow local codes and site procedure.",
)


class Told(NamedTuple):
    """What is told beside the settings."""

    version: str
    boot: str
    time_factor: float


def site_pieces(settings: SiteSettings, watched: Iterable[tuple[TankPlan, TankBinding]], told: Told) -> Iterator[bytes]:
    """One JSON document in pieces, one for each tank. `watched`: the tanks with what they hold now."""
    setups = {setup.plan.tank: setup for setup in settings.tanks}
    pairs = [(setups[plan.tank], plan, binding) for plan, binding in watched if plan.tank in setups]
    head = {
        "schema": PAGE_SITE_SCHEMA,
        "name": settings.name,
        "description": settings.description,
        "time_zone": settings.time_zone,
        "simulated": settings.simulated,
        "version": told.version,
        "boot": told.boot,
        "time_factor": told.time_factor,
        "cautions": CAUTIONS,
        "lines": [
            {"name": source.name, "address": str(getattr(source, "primary", "")), "instruments": list(source.meanings)}
            for source in settings.sources
        ],
        "products": _products(plan for _, plan, _ in pairs),
    }
    yield orjson.dumps(head)[:-1] + b',"tanks":{'
    for number, (setup, plan, binding) in enumerate(pairs):
        yield (b"," if number else b"") + orjson.dumps(plan.tank) + b":" + orjson.dumps(_tank(setup, plan, binding))
    yield b"}}"


def site_document(
    settings: SiteSettings, watched: Iterable[tuple[TankPlan, TankBinding]], told: Told
) -> Mapping[str, Any]:
    """The same as plain values."""
    document: Mapping[str, Any] = orjson.loads(b"".join(site_pieces(settings, watched, told)))
    return document


def _products(plans: Iterable[TankPlan]) -> dict[str, Any]:
    """Those that a tank holds. `group`: by which method they are corrected."""
    products = {plan.product.name: plan.product for plan in plans}
    return {name: {"title": name.replace("_", " "), "group": plan.method.clause} for name, plan in products.items()}


def _tank(setup: TankSetup, plan: TankPlan, binding: TankBinding) -> dict[str, Any]:
    reference_c = plan.product.method.reference_temperature_c
    return {
        "product": plan.product.name,
        "description": setup.description,
        "kind": None if setup.kind is None else setup.kind.value,
        "roof": "fixed_roof" if plan.roof is None else "floating_roof",
        "limits": _limits(plan),
        "lowest": 0.0,
        "full": min(plan.reference_height_m, plan.capacity.top_m),
        "reference_height": plan.reference_height_m,
        "elements": [
            {"height": element.height_m, "signal": source.name}
            for element, source in zip(plan.temperature.elements, binding.elements, strict=True)
        ],
        "free_water": plan.free_water.value,
        "pressurised": plan.pressurised,
        "reference_temperature": None if reference_c is None else {"value": reference_c, "unit": "degC"},
        "instruments": _instruments(binding),
        "fed_by": list(dict.fromkeys([source.instrument for source in binding.sources])),
        "gauge": _gauge(plan.gauge),
        "table": _table(plan),
        "period_s": setup.period_s,
    }


def _limits(plan: TankPlan) -> list[dict[str, Any]]:
    """From below."""
    limits = plan.limits
    named = (
        ("minimum", limits.minimum_m),
        ("maximum_working", limits.maximum_working_m),
        ("high_high", limits.high_high_m),
        ("critical_high", limits.critical_high_m),
    )
    return [{"limit": name, "level": level_m} for name, level_m in named if level_m is not None]


def _instruments(binding: TankBinding) -> dict[str, str]:
    """By what each measures; the thermometer by its lowest element."""
    fitted = {
        "level": binding.level,
        "second_level": binding.second_level,
        "bottom_pressure": binding.bottom_pressure,
        "vapour_pressure": binding.vapour_pressure,
        "temperature": binding.elements[0] if binding.elements else None,
        "water": binding.water,
        "ambient": binding.ambient,
    }
    return {name: source.instrument for name, source in fitted.items() if source is not None}


def _gauge(gauge: GaugePlan | HeadPlan | None) -> str | None:
    """What the level comes from."""
    match gauge:
        case GaugePlan():
            return gauge.kind.value
        case HeadPlan():
            return "pressure"
        case None:
            return None


def _table(plan: TankPlan) -> dict[str, Any]:
    capacity = plan.capacity
    if not isinstance(capacity, CapacityTable):
        return {"source": capacity.clause, "version": None, "datum": None}
    dated = None if capacity.date is None else capacity.date.isoformat()
    return {"source": capacity.name, "version": dated, "datum": capacity.datum or None}
