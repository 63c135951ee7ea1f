"""`show`: the tanks of a site, once, as a table: from a running gateway, or what one left on its broker.

What is no longer the present is marked and has no number (`liveness`).
"""

import argparse
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from gateway.commands.operator.broker_source import on_broker
from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.liveness import Clocks, clock_words, seen_at, view_of_message
from gateway.commands.operator.running_gateway import (
    NoGatewayError,
    add_address,
    fetch_json,
    running_address,
)
from gateway.commands.operator.site_summary import client_lines, summary_lines, transfer_line
from gateway.commands.operator.tank_table import (
    CAUTION,
    COLUMNS,
    USUAL_COLUMNS,
    TankView,
    notes,
    tank_grid,
    total_lines,
)
from gateway.commands.output import is_terminal, make_console, plain_lines, rich_table, write, write_json
from gateway.commands.service.site_argument import load
from gateway.display import UnitSystem, printable
from gateway.errors import GatewayError
from gateway.payload.plain import iso_time
from gateway.payload.writer import INVENTORIES_SCHEMA
from gateway.settings.reading.validation import suggestion

__all__ = ["add_arguments", "execute"]

_TIMEOUT_S = 5.0


_EPILOG = """One row a tank: the level with its limits, what is in it, the room left, how good that is and how old.
  1,234?      an Uncertain number: usable, and a line below the table says why to be careful
  -           Bad: there is no number; below the table stand the reason and the last good one with its age
  NOT LIVE    nobody keeps this tank up to date now: what was last told stands below the table
Volumes: TOV all that is there as it is, GOV without water, GSV that at the reference temperature, NSV without
sediment and water. Room is up to the maximum working level, pumpable down to the minimum.
Examples: tank-gateway show
          tank-gateway show --columns level,room,pumpable --units us
          tank-gateway show --broker site.yaml
Exit code 1: no gateway or broker answered."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    where = parser.add_mutually_exclusive_group()
    add_address(where)
    where.add_argument(
        "--broker",
        metavar="SITE",
        help="what lies on the broker that this site file names, whether the gateway still runs or not; of several the "
        "first that can tell",
    )
    parser.add_argument(
        "--columns",
        metavar="NAMES",
        type=_columns,
        default=USUAL_COLUMNS,
        help=f"figures to show, with commas between, of: {', '.join(COLUMNS)}",
    )
    parser.add_argument("--units", choices=[system.value for system in UnitSystem], default="si", help="units shown")
    parser.add_argument("--json", action="store_true", help="print the answer as it came, in SI")


def execute(arguments: argparse.Namespace) -> int:
    if arguments.broker is not None:
        return _show_broker(arguments)
    address = running_address(arguments.address)
    try:
        document = fetch_json(address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    except NoGatewayError as error:
        error.hint = f"{error.hint}; what one left on its broker, `tank-gateway show --broker SITE` tells"
        raise
    if arguments.json:
        write_json(document)
        return 0
    try:
        clocks = Clocks(datetime.fromisoformat(document["time"]), _now())
        views = [view_of_message(each, seen_at(clocks)) for each in document["inventories"]]
        zone = ZoneInfo(document.get("time_zone", "UTC"))
        title = f"{document['site']} at {_time(document, zone)}"
        if document.get("simulated"):
            title += ", SIMULATED"
        factor = document.get("time_factor")
        if factor is not None:
            title += f", its time passes {float(factor):g} times as fast"
        summary = summary_lines(views, document)
        entered = [f"{each['about']}: {each['text']}" for each in document.get("entered", ())]
        entered += [transfer_line(each, zone) for each in document.get("open_transfers", ())]
        entered += client_lines(document, zone)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise NoGatewayError(address, "its answer is not one that this version understands") from error
    apart = clock_words(clocks) if factor is None else ""
    _write(arguments, views, zone, [title], summary, [*([f"Clocks: {apart}"] if apart else []), *entered])
    return 0


def _show_broker(arguments: argparse.Namespace) -> int:
    settings = load(arguments.broker)
    found = on_broker(settings)
    now = _now()
    document = {
        "schema": INVENTORIES_SCHEMA,
        "site": settings.name,
        "time": iso_time(now),
        "time_zone": settings.time_zone,
        "simulated": any(message.get("simulated", False) for message in found.inventories),
        "awaited": list(found.missing),
        "inventories": list(found.inventories),
    }
    if arguments.json:
        write_json(document)
        return 0
    try:
        views = [view_of_message(each, now, gone=found.gone) for each in found.inventories]
        gateway = found.gateway_words(now)
        summary = summary_lines(views, document)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        failure = GatewayError(f"what lies on {found.place} is not of a kind that this version understands")
        failure.hint = "was it written by another version of tank-gateway?"
        raise failure from error
    zone = ZoneInfo(settings.time_zone)
    title = f"{settings.name} on {found.place} at {_time(document, zone)}"
    if document["simulated"]:
        title += ", SIMULATED"
    missing = [f"{tank}: nothing of it lies on the broker" for tank in found.missing]
    _write(arguments, views, zone, [title, gateway], summary, missing)
    return 0


def _write(
    arguments: argparse.Namespace,
    views: Sequence[TankView],
    zone: ZoneInfo,
    head: Sequence[str],
    summary: Sequence[str],
    beside: Sequence[str],
) -> None:
    """Whether anything is wrong, the table, its totals, and a line for each thing that needs one."""
    system = UnitSystem(arguments.units)
    grid = tank_grid(views, system, arguments.columns)
    dead = sum(bool(view.not_live) for view in views)
    warning = [f"NOT LIVE: {dead} of {len(views)} tanks. What was last told of them stands below the table."]
    write(*map(printable, head), *(warning if dead else []), *summary, "")
    if is_terminal(sys.stdout):
        console = make_console(sys.stdout)
        console.print(rich_table(grid, console.width))
    else:
        write(*plain_lines(grid))
    why = [*map(printable, beside), *notes(views, system, arguments.columns, zone)]
    write("", *total_lines(views, system), *(["", *why] if why else []), "", f"Caution: {CAUTION}")


def _time(document: Mapping[str, Any], zone: ZoneInfo) -> str:
    """When the answer was made."""
    return site_time(datetime.fromisoformat(document["time"]), zone, "%Y-%m-%d %H:%M:%S")


def _now() -> datetime:
    return datetime.now(UTC)


def _columns(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(","))
    for name in names:
        if name not in COLUMNS:
            raise argparse.ArgumentTypeError(f"there is no column '{name}'; {suggestion(name, COLUMNS)}")
    return names
