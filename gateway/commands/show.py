"""`show`: the tanks of a running gateway, once, as a table."""

import argparse
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from gateway.commands.output import is_terminal, make_console, plain_lines, rich_table, write, write_json
from gateway.commands.running_gateway import DEFAULT_ADDRESS, NoGatewayError, fetch_json
from gateway.commands.tank_table import TankView, notes, tank_grid, total_lines
from gateway.delivery.payload import INVENTORIES_SCHEMA
from gateway.display import DEFINITIONS, UnitSystem, printable
from gateway.records import Figure, Quality, Reason, ReasonCode

__all__ = ["add_arguments", "execute"]

_TIMEOUT_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--address", metavar="HOST:PORT", default=DEFAULT_ADDRESS, help=f"of its metrics; default {DEFAULT_ADDRESS}"
    )
    parser.add_argument("--units", choices=[system.value for system in UnitSystem], default="si", help="units shown")
    parser.add_argument("--json", action="store_true", help="print the answer as it came, in SI")


def execute(arguments: argparse.Namespace) -> int:
    document = fetch_json(arguments.address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    if arguments.json:
        write_json(document)
        return 0
    now = datetime.now(UTC)
    try:
        views = [_view(inventory, now) for inventory in document["inventories"]]
        title = printable(f"{document['site']} at {datetime.fromisoformat(document['time']):%Y-%m-%d %H:%M:%S} UTC")
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise NoGatewayError(arguments.address, "its answer is not one that this version understands") from error
    system = UnitSystem(arguments.units)
    grid = tank_grid(views, system)
    if document.get("simulated"):
        title += ", SIMULATED"
    write(title, "")
    if is_terminal(sys.stdout):
        console = make_console(sys.stdout)
        console.print(rich_table(grid, console.width))
    else:
        write(*plain_lines(grid))
    why = notes(views)
    write("", *total_lines(views, system), *(["", *why] if why else []))
    return 0


def _view(payload: Mapping[str, Any], now: datetime) -> TankView:
    figures = {name: _figure(payload["figures"][name], now) for name in DEFINITIONS}
    return TankView(
        payload["identity"]["tank"],
        payload["product"],
        Quality[payload["quality"].upper()],
        figures,
        bool(payload.get("simulated")),
    )


def _figure(payload: Mapping[str, Any], now: datetime) -> Figure:
    told = payload.get("reasons") or ([payload["reason"]] if payload["reason"] else [])
    reasons = tuple(Reason(ReasonCode(reason["code"]), reason["text"]) for reason in told)
    time = payload["time"]
    age_s = float("inf") if time is None else (now - datetime.fromisoformat(time)).total_seconds()
    value = payload["value"]
    return Figure(
        None if value is None else float(value),
        Quality[payload["quality"].upper()],
        reasons,
        max(0.0, age_s),
        bool(payload.get("manual")),
    )
