"""One master on a line: before a tool asks anything there, whether a running gateway holds it.

The gateway itself says which addresses it polls (`/readings`). Of a gateway on another machine that nobody named this
can tell nothing, and the texts say so.
"""

import argparse
import socket
from typing import Any

from gateway.commands.running_gateway import DEFAULT_ADDRESS, NoGatewayError, fetch_json
from gateway.delivery.readings import READINGS_SCHEMA
from gateway.errors import GatewayError
from gateway.settings.site import SiteSettings

__all__ = ["LineHeldError", "add_guard", "gateway_address", "held_by", "held_error", "refuse_if_held"]

_TIMEOUT_S = 3.0


class LineHeldError(GatewayError):
    """A running gateway polls this line. Retrying helps once it has been stopped."""

    def __init__(self, what: str) -> None:
        self.hint = "stop that gateway first, or add --line-is-mine if you know that the line bears a second master"
        super().__init__(what)


def add_guard(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--gateway",
        metavar="HOST:PORT",
        help=f"web address of the one gateway that is asked whether it holds the line; default that of SITE, else "
        f"{DEFAULT_ADDRESS}",
    )
    parser.add_argument(
        "--line-is-mine", action="store_true", help="ask although a running gateway holds the line, or may hold it"
    )


def gateway_address(arguments: argparse.Namespace, site: SiteSettings | None) -> str:
    """Where a running gateway would answer."""
    if arguments.gateway is not None:
        return str(arguments.gateway)
    if site is not None and site.http is not None:
        return f"{site.http.host}:{site.http.port}"
    return DEFAULT_ADDRESS


def held_by(gateway: str, address: str) -> dict[str, Any] | None:
    """What the gateway at that web address says (`/readings`) if it polls `address`; None when surely none does.

    `address` is HOST:PORT, or the device file of a serial port.

    Raises LineHeldError when something is there that may be a gateway and does not say.
    """
    try:
        document = fetch_json(gateway, "/readings", READINGS_SCHEMA, _TIMEOUT_S)
    except NoGatewayError as error:
        if error.surely:
            return None
        raise LineHeldError(f"whether a gateway holds the line cannot be told: {error}") from error
    wanted = _places(address)
    held = any(wanted & _places(str(line["address"])) for line in document["lines"])
    return document if held else None


def refuse_if_held(gateway: str, address: str) -> None:
    """Raises LineHeldError when the gateway at that web address polls `address`."""
    document = held_by(gateway, address)
    if document is not None:
        raise held_error(gateway, address, document)


def held_error(gateway: str, address: str, document: dict[str, Any]) -> LineHeldError:
    """The error for a line that the gateway holds, as its `document` of `held_by` says."""
    return LineHeldError(
        f"{address} is polled by the gateway of site {document['site']} at {gateway}; "
        "a second master on a line spoils the answers of both"
    )


def _places(address: str) -> set[tuple[str, str]]:
    """Every (host, port) that the address stands for; the text itself where it cannot be resolved or is no host."""
    host, _, port = address.rpartition(":")
    if not host or not port.isdecimal():
        return {("", address)}
    bare = host.removeprefix("[").removesuffix("]")
    try:
        found = socket.getaddrinfo(bare, int(port), type=socket.SOCK_STREAM)
    except (OSError, UnicodeError, OverflowError):
        return {(bare, port)}
    return {(str(place[4][0]), port) for place in found}
