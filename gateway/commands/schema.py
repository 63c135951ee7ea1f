"""`schema`: the JSON Schema of the site file or of what leaves the gateway."""

import argparse

from gateway.commands.output import write_json
from gateway.delivery.payload import (
    HEARTBEAT_SCHEMA,
    INVENTORIES_SCHEMA,
    INVENTORY_SCHEMA,
    INVENTORY_VERSION_SCHEMA,
    STATUS_SCHEMA,
)
from gateway.delivery.readings import READINGS_SCHEMA
from gateway.delivery.schemas import schemas
from gateway.settings.site import site_schema

__all__ = ["add_arguments", "execute"]

_MESSAGES = {
    "inventory": INVENTORY_SCHEMA,
    "inventory-version": INVENTORY_VERSION_SCHEMA,
    "status": STATUS_SCHEMA,
    "heartbeat": HEARTBEAT_SCHEMA,
    "inventories": INVENTORIES_SCHEMA,
    "readings": READINGS_SCHEMA,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "of",
        choices=["site", *_MESSAGES],
        help="site: the site file; inventory, status, heartbeat: on MQTT; inventories, readings: on HTTP; "
        "inventory-version: what `recalculate` writes",
    )


def execute(arguments: argparse.Namespace) -> int:
    write_json(site_schema() if arguments.of == "site" else schemas()[_MESSAGES[arguments.of]])
    return 0
