"""`dip`: one calculation sheet from hand-measured values, without instruments.

A dip is Good and marked manual. Values that were not measured are not made up: what rests on them comes out Bad.
"""

import argparse
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from gateway.calculation.inventory import calculate
from gateway.calculation.sheet import explain
from gateway.commands.operator import sheet
from gateway.commands.operator.density_option import add_density, typed_density
from gateway.commands.operator.dip_chain import chain, chain_text
from gateway.commands.operator.dip_input import Dip, density_how, dip_input, dip_plan
from gateway.commands.operator.hand_value import hand_value
from gateway.commands.output import note, write, write_json
from gateway.commands.service.check_entries import held_beside
from gateway.commands.service.site_argument import add_site, load, tank_of
from gateway.display import UnitSystem
from gateway.errors import UsageError
from gateway.records import Quality, ReasonCode
from gateway.units.quantity import Dimension

__all__ = ["add_arguments", "execute"]

_EPILOG = """Every quantity carries its unit: 9.412 m, 31'7-5/16", 14.7 degC, 838 kg/m3, 34 degAPI, 68.2 kPa.
Example: tank-gateway dip demo TK-101 --level "9.412 m" --water "35 mm" --temperature "14.1 degC" "15.2 degC"
Do not dip without a permit; static and H2S precautions apply."""

_QUANTITIES = (
    ("level", Dimension.LENGTH, "innage: surface above the datum of the capacity table"),
    (
        "ullage",
        Dimension.LENGTH,
        "surface below the reference point, which moves with the shell where that is given; the expansion of the tape "
        "itself is left out",
    ),
    ("water", Dimension.LENGTH, "free-water level above the datum, or `none` when none was found"),
    ("temperature", Dimension.TEMPERATURE, "liquid temperature; several are averaged"),
    ("sediment-water", Dimension.RATIO, "sediment and water, for example `0.3 %%`"),
    (
        "pressure",
        Dimension.GAUGE_PRESSURE,
        "gauge pressure: of the liquid column where it gives level or density, else of the vapour",
    ),
    ("vapour-pressure", Dimension.GAUGE_PRESSURE, "gauge pressure above the liquid"),
    ("ambient", Dimension.TEMPERATURE, "air temperature, for the shell"),
)
_IN_INPUT = {
    "level": "dip_level",
    "ullage": "dip_level",
    "water": "dip_water",
    "sediment-water": "sediment_water",
    "temperature": "manual_temperature",
    "pressure": "bottom_pressure",
    "vapour-pressure": "vapour_pressure",
    "ambient": "ambient",
}
"""The field of a `TankInput` that each is for."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_site(parser)
    parser.add_argument("tank", metavar="TANK", help="tag of the tank in the site file")
    level = parser.add_mutually_exclusive_group()
    for name, _, text in _QUANTITIES:
        group = level if name in ("level", "ullage") else parser
        nargs = "+" if name == "temperature" else None
        group.add_argument(f"--{name}", metavar="QUANTITY", nargs=nargs, help=text)
    add_density(parser)
    parser.add_argument(
        "--at", metavar="TIME", help="ISO 8601; without an offset, in the site's time zone; default now"
    )
    parser.add_argument("--explain", metavar="FIGURE", help="only how one figure comes about: GSV, M, tov ...")
    parser.add_argument("--units", choices=[system.value for system in UnitSystem], default="si", help="units shown")
    parser.add_argument("--json", action="store_true", help="print the sheet for a program, in SI")


def execute(arguments: argparse.Namespace) -> int:
    settings = load(arguments.site)
    setup = tank_of(settings, arguments.tank)
    dip = _dip(arguments, setup.plan.reference_height_m)
    at = _instant(arguments.at, settings.time_zone)
    setup, told = held_beside(settings, setup, at)
    if told:
        note(told)
    plan = dip_plan(setup.plan, dip)
    tank_input = dip_input(plan, setup.binding, dip, at, settings.simulated)
    inventory, _ = calculate(plan, tank_input)
    lines = explain(plan, inventory, density_how(plan, setup.binding, dip))
    explained = None if arguments.explain is None else chain(lines, arguments.explain)
    system = UnitSystem(arguments.units)
    if arguments.json:
        document = sheet.document(settings.name, inventory, lines, tank_input, dip.temperatures)
        if explained is not None:
            document["explained"] = [line.name for line in explained]
        write_json(document)
    elif explained is not None:
        reference_c = plan.product.method.reference_temperature_c
        write(*sheet.heading(settings, setup, inventory), "", *chain_text(explained, system, reference_c), "")
        write(*(f"Caution: {caution}" for caution in sheet.CAUTIONS))
    else:
        sheet.print_sheet(settings, setup, plan, inventory, lines, tank_input, dip.temperatures, system)
    # What was not measured is Bad and no failure; what was measured and cannot be is one, for a script as well.
    refused = any(reason.code is ReasonCode.METHOD_LIMIT for figure in inventory.figures for reason in figure.reasons)
    refused = refused or inventory.figures.measured_density.quality is Quality.BAD
    return 1 if refused or inventory.figures.tov.quality is Quality.BAD else 0


def _dip(arguments: argparse.Namespace, reference_height_m: float) -> Dip:
    values: dict[str, float] = {}
    temperatures: tuple[float, ...] = ()
    no_water = False
    for name, dimension, _ in _QUANTITIES:
        field = name.replace("-", "_")
        text = getattr(arguments, field)
        if name == "temperature":
            temperatures = tuple(
                hand_value(name, _IN_INPUT[name], each, dimension, reference_height_m) for each in text or ()
            )
        elif name == "water" and text is not None and text.strip().lower() == "none":
            no_water = True
        elif text is not None:
            values[field] = hand_value(name, _IN_INPUT[name], text, dimension, reference_height_m)
    return Dip(temperatures=temperatures, no_water=no_water, density=typed_density(arguments), **values)


def _instant(text: str | None, time_zone: str) -> datetime:
    if text is None:
        return datetime.now(UTC)
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"--at: '{text}' is not a time", "write for example 2026-03-01T06:00 or ...T06:00Z") from error
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=ZoneInfo(time_zone))
    return instant.astimezone(UTC)
