"""A calculation sheet as a person reads it and as a program does."""

import sys
from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan, TankPlan
from gateway.calculation.sheet import SheetLine
from gateway.commands.operator.dip_input import needs_vapour_pressure, takes_bottom_pressure
from gateway.commands.output import Column, Grid, is_terminal, make_console, plain_lines, rich_table, write
from gateway.display import (
    UnitSystem,
    limit_words,
    printable,
    quality_words,
    roof_words,
    show_figure,
    show_value,
)
from gateway.payload.plain import iso_time
from gateway.payload.writer import inventory_document
from gateway.records import Figure, Inventory, ReasonCode, TankInput
from gateway.settings.site import SiteSettings
from gateway.settings.tanks.plans import TankSetup
from gateway.sheet_document import concerns_other_tanks, given_inputs, input_document, step_documents
from gateway.tank_record import Identity

__all__ = ["CAUTIONS", "SHEET_SCHEMA", "document", "heading", "print_sheet"]

SHEET_SCHEMA = "tank-gateway/dip/1"

CAUTIONS = (
    "Monitoring only. Not an overfill prevention system (API 2350) or safety instrumented system (IEC 61511).",
    "Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).",
    "Quantities follow the methods named; not certified by API/ISO.",
    "A screen value never authorises opening a valve: follow site procedure.",
    "Dip only with the permit your site asks for; static and H2S precautions; local codes and licensed practice first.",
)


def document(
    site: str, inventory: Inventory, lines: Sequence[SheetLine], tank_input: TankInput, temperatures: Sequence[float]
) -> dict[str, Any]:
    """The sheet as plain values, in SI at full precision; figures as in the inventory payload."""
    payload = inventory_document(Identity(site, inventory.tank, "", 0), inventory)
    return {
        "schema": SHEET_SCHEMA,
        "site": site,
        "tank": inventory.tank,
        "product": inventory.product,
        "time": payload["time"],
        "quality": payload["quality"],
        "reference_temperature": payload["reference_temperature"],
        **({"simulated": True, "notice": "SIMULATED"} if inventory.simulated else {}),
        "inputs": [input_document(name, form, given) for name, _, form, given in given_inputs(tank_input)],
        "temperatures": list(temperatures),
        "sheet": step_documents(lines),
        "level_state": payload["level_state"],
        "figures": payload["figures"],
        "cautions": list(CAUTIONS),
    }


def print_sheet(
    settings: SiteSettings,
    setup: TankSetup,
    plan: TankPlan,
    inventory: Inventory,
    lines: Sequence[SheetLine],
    tank_input: TankInput,
    temperatures: Sequence[float],
    system: UnitSystem,
) -> None:
    """Inputs, each step with symbol, value, unit, quality and what it follows, then why and the cautions."""
    reference_c = plan.product.method.reference_temperature_c
    write(*heading(settings, setup, inventory), "")
    _print_grid(_input_grid(plan, tank_input, temperatures, system))
    write("")
    _print_grid(_step_grid(lines, system, reference_c))
    write("")
    if reference_c is not None:
        reference = show_value("liquid_temperature", reference_c, system)
        write(f"Reference temperature {reference.text}. Room and pumpable are rounded down.")
    write(f"Result: {quality_words(inventory.quality, simulated=inventory.simulated)}")
    passed = [text for text in (limit_words(inventory.level_state, system), roof_words(inventory.level_state)) if text]
    write(*(f"Against its limits: {text}" for text in passed))
    write(*(f"  {reason}" for reason in _why(lines)))
    missing = _not_given(plan, tank_input)
    write(*([f"  not given: {', '.join(missing)}"] if missing else []), "")
    write(*(f"Caution: {caution}" for caution in CAUTIONS))


def heading(settings: SiteSettings, setup: TankSetup, inventory: Inventory) -> list[str]:
    described = f" ({setup.description})" if setup.description else ""
    local = inventory.instant.astimezone(ZoneInfo(settings.time_zone))
    lines = [
        "Calculation sheet from hand-measured values",
        f"Site     {settings.name}",
        f"Tank     {inventory.tank}{described}",
        f"Product  {inventory.product}",
        f"Time     {_minute(local)} ({iso_time(inventory.instant)})",
    ]
    if inventory.simulated:
        lines.append("SIMULATED: the tanks of this site are invented")
    return [printable(line) for line in lines]


def _minute(local: datetime) -> str:
    return f"{local:%Y-%m-%d %H:%M} {local.tzname() or ''}".strip()


def _input_grid(plan: TankPlan, tank_input: TankInput, temperatures: Sequence[float], system: UnitSystem) -> Grid:
    reference_c = plan.product.method.reference_temperature_c
    by_ullage = isinstance(plan.gauge, GaugePlan) and plan.gauge.kind is GaugeKind.ULLAGE
    rows = []
    for field, title, form, given in given_inputs(tank_input):
        shown_title = "Ullage by tape" if field == "level" and by_ullage else title
        figure = Figure(given.value, given.quality, (given.reason,) if given.reason else (), given.age_s, given.manual)
        shown = show_figure(form, figure, system, reference_temperature_c=reference_c)
        source = given.source
        if field == "manual_temperature" and len(temperatures) > 1:
            each = ", ".join(show_value(form, value, system).number for value in temperatures)
            source = f"{source}, mean of {each}"
        rows.append((shown_title, shown.number, shown.unit, quality_words(given.quality, manual=given.manual), source))
    columns = (
        Column("Input"),
        Column("Value", right=True),
        Column("Unit"),
        Column("Quality"),
        Column("Source", wraps=True),
    )
    return Grid(columns, tuple(rows))


def _step_grid(lines: Sequence[SheetLine], system: UnitSystem, reference_c: float | None) -> Grid:
    rows = []
    symbols = {line.name: line.symbol for line in lines if not concerns_other_tanks(line)}
    for line in lines:
        if line.name not in symbols:
            continue
        figure = Figure(line.value, line.quality, line.reasons, 0.0)
        shown = show_figure(line.name, figure, system, reference_temperature_c=reference_c)
        quality = quality_words(line.quality, manual=line.manual)
        inputs = ", ".join(symbols[name] for name in line.inputs if name in symbols)
        rows.append((line.symbol, line.title, shown.number, shown.unit, quality, inputs, line.clause))
    columns = (
        Column("Symbol"),
        Column("Step", wraps=True),
        Column("Value", right=True),
        Column("Unit"),
        Column("Quality"),
        Column("From", wraps=True),
        Column("Follows", wraps=True),
    )
    return Grid(columns, tuple(rows))


def _why(lines: Sequence[SheetLine]) -> list[str]:
    """Every sentence behind a figure that is not Good, and every remark, each once with the symbols it touches."""
    symbols: dict[str, list[str]] = {}
    for line in lines:
        for reason in line.reasons:
            if not concerns_other_tanks(line) and reason.code is not ReasonCode.MANUAL:
                symbols.setdefault(printable(reason.text), []).append(line.symbol)
    return [f"{text} ({', '.join(touched)})" for text, touched in symbols.items()]


def _not_given(plan: TankPlan, tank_input: TankInput) -> list[str]:
    """The options without which part of the sheet stays Bad."""
    missing = []
    if plan.free_water is FreeWaterSource.DIP and tank_input.dip_water is None:
        missing.append("--water (`--water none` when none was found)")
    if tank_input.manual_temperature is None:
        missing.append("--temperature")
    if plan.measured_density is not None and tank_input.bottom_pressure is None:
        missing.append("--pressure (without it density is not measured)")
    if needs_vapour_pressure(plan) and tank_input.vapour_pressure is None:
        missing.append("--vapour-pressure" if takes_bottom_pressure(plan) else "--pressure")
    if plan.product.method.needs_density and tank_input.reference_density is None:
        missing.append("--density")
    return missing


def _print_grid(grid: Grid) -> None:
    if is_terminal(sys.stdout):
        console = make_console(sys.stdout)
        console.print(rich_table(grid, console.width))
    else:
        write(*plain_lines(grid))
