"""`show`: the tanks of a running gateway, once, as a table."""

import argparse
import sys
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from gateway.commands.output import is_terminal, make_console, plain_lines, rich_table, write, write_json
from gateway.commands.running_gateway import DEFAULT_ADDRESS, NoGatewayError, fetch_json, running_address
from gateway.commands.site_summary import summary_lines
from gateway.commands.tank_table import (
    CAUTION,
    COLUMNS,
    USUAL_COLUMNS,
    notes,
    site_time,
    tank_grid,
    total_lines,
    view_of,
)
from gateway.delivery.payload import INVENTORIES_SCHEMA
from gateway.delivery.payload_reader import inventory_of
from gateway.display import UnitSystem, printable
from gateway.settings.validation import suggestion

__all__ = ["add_arguments", "execute"]

_TIMEOUT_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--address",
        metavar="HOST:PORT",
        help=f"web address of the gateway; default that of the one running here, else {DEFAULT_ADDRESS}",
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
    address = running_address(arguments.address)
    document = fetch_json(address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    if arguments.json:
        write_json(document)
        return 0
    now = datetime.now(UTC)
    try:
        views = [view_of(inventory_of(each), now) for each in document["inventories"]]
        zone = ZoneInfo(document.get("time_zone", "UTC"))
        made = datetime.fromisoformat(document["time"])
        title = printable(f"{document['site']} at {site_time(made, zone, '%Y-%m-%d %H:%M:%S')}")
        summary = summary_lines(views, document)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise NoGatewayError(address, "its answer is not one that this version understands") from error
    system = UnitSystem(arguments.units)
    grid = tank_grid(views, system, arguments.columns)
    if document.get("simulated"):
        title += ", SIMULATED"
    write(title, *summary, "")
    if is_terminal(sys.stdout):
        console = make_console(sys.stdout)
        console.print(rich_table(grid, console.width))
    else:
        write(*plain_lines(grid))
    why = notes(views, system, arguments.columns, zone)
    write("", *total_lines(views, system), *(["", *why] if why else []), "", f"Caution: {CAUTION}")
    return 0


def _columns(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(","))
    for name in names:
        if name not in COLUMNS:
            raise argparse.ArgumentTypeError(f"there is no column '{name}'; {suggestion(name, COLUMNS)}")
    return names
