"""`schema`: the JSON Schema of the site file, of a scenario file of the simulators, or of what leaves the gateway."""

import argparse

from gateway.commands.output import write_json
from gateway.page_answers.description import description
from gateway.payload.history import EVENT_SCHEMA, HISTORY_SCHEMA
from gateway.payload.lines import LINES_SCHEMA
from gateway.payload.page_view import VIEW_SCHEMA
from gateway.payload.readings import READINGS_SCHEMA
from gateway.payload.schemas import schemas
from gateway.payload.writer import (
    HEARTBEAT_SCHEMA,
    INVENTORIES_SCHEMA,
    INVENTORY_SCHEMA,
    INVENTORY_VERSION_SCHEMA,
    STATUS_SCHEMA,
)
from gateway.settings.site import site_schema
from simulators.scenario_schema import scenario_schema

__all__ = ["add_arguments", "execute"]

_MESSAGES = {
    "inventory": INVENTORY_SCHEMA,
    "inventory-version": INVENTORY_VERSION_SCHEMA,
    "history": HISTORY_SCHEMA,
    "event": EVENT_SCHEMA,
    "status": STATUS_SCHEMA,
    "heartbeat": HEARTBEAT_SCHEMA,
    "inventories": INVENTORIES_SCHEMA,
    "readings": READINGS_SCHEMA,
    "lines": LINES_SCHEMA,
    "transfers": "tank-gateway/transfers/1",
    "tickets": "tank-gateway/tickets/1",
    "stock": "tank-gateway/stock/1",
    "days": "tank-gateway/days/1",
    "view": VIEW_SCHEMA,
    "page-site": "tank-gateway/page-site/1",
    "amounts": "tank-gateway/amounts/1",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "Example: tank-gateway schema inventory"
    parser.add_argument(
        "of",
        metavar="OF",
        choices=["site", "scenario", "http", *_MESSAGES],
        help="one of: site: the site file; scenario: the file that `simulate` serves; inventory, history, event, "
        "status, heartbeat: on MQTT; inventories, readings, lines, transfers, tickets, stock, days, amounts: on HTTP; "
        "http: all that is asked for and done over HTTP, as OpenAPI 3.1; "
        "inventory-version: what `recalculate` writes",
    )


def execute(arguments: argparse.Namespace) -> int:
    match arguments.of:
        case "site":
            write_json(site_schema())
        case "http":
            write_json(description())
        case "scenario":
            write_json(scenario_schema())
        case message:
            write_json(schemas()[_MESSAGES[message]])
    return 0
