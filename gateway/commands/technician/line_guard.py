"""One master on a line: before a tool asks anything there, whether a running gateway holds it.

Gateways that run on this machine are found by their runtime files, whatever their port; one elsewhere is asked where
its web address is given. What it polls it says itself (`/readings`). Of a gateway on another machine that nobody named
this can tell nothing, and says so.
"""

import argparse
import os
import socket
from typing import Any, NamedTuple

from gateway.commands.operator.running_gateway import DEFAULT_ADDRESS, NoGatewayError, fetch_json, web_address
from gateway.commands.output import note
from gateway.errors import GatewayError
from gateway.payload.readings import READINGS_SCHEMA
from gateway.process.running import Running, running_gateways
from gateway.settings.site import SiteSettings

__all__ = [
    "NOT_CHECKED",
    "Held",
    "LineHeldError",
    "add_guard",
    "gateway_address",
    "held_by",
    "held_error",
    "refuse_if_held",
    "require_own",
]

_TIMEOUT_S = 3.0
NOT_CHECKED = "no gateway was found that could say whether it polls this line; one elsewhere is not checked"


class LineHeldError(GatewayError):
    """A running gateway polls this line. Retrying helps once it has been stopped."""

    def __init__(self, what: str) -> None:
        self.hint = "stop that gateway first, or add --line-is-mine if you know that the line bears a second master"
        super().__init__(what)


class Held(NamedTuple):
    """A line that a running gateway polls."""

    gateway: str
    """The web address at which it said so: not always the one that was given."""
    readings: dict[str, Any]
    """Its `/readings`."""


def add_guard(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--gateway",
        metavar="HOST:PORT",
        type=web_address,
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
    running = [each for each in running_gateways() if site is None or each.site == site.name]
    if len(running) == 1 and running[0].web is not None:
        return running[0].web
    if site is not None and site.http is not None:
        return f"{site.http.host}:{site.http.port}"
    return DEFAULT_ADDRESS


def held_by(gateway: str, *addresses: str) -> Held | None:
    """What a gateway of this machine, or the one at that web address, says if it polls one of `addresses`; None when
    surely none does.

    An address is HOST:PORT, or the device file of a serial port.

    Raises LineHeldError when something is there that may be a gateway and does not say, and when one of this machine
    polls the address and has no web address to be asked at.
    """
    wanted = set[tuple[str, str]]().union(*map(_places, addresses))
    holder = _holder(wanted)
    if holder is not None:
        if holder.web is None:
            polled = " or ".join(addresses)
            raise LineHeldError(f"{polled} is polled by the gateway of site {holder.site}, process {holder.pid}")
        gateway = holder.web
    try:
        document = fetch_json(gateway, "/readings", READINGS_SCHEMA, _TIMEOUT_S)
    except NoGatewayError as error:
        if error.surely and holder is None:
            note(NOT_CHECKED)
            return None
        raise LineHeldError(f"whether a gateway holds the line cannot be told: {error}") from error
    held = any(wanted & _places(str(line["address"])) for line in document["lines"])
    return Held(gateway, document) if held else None


def refuse_if_held(gateway: str, address: str) -> None:
    """Raises LineHeldError when the gateway at that web address polls `address`."""
    held = held_by(gateway, address)
    if held is not None:
        raise held_error(address, held)


def require_own(held: Held, address: str, site: SiteSettings | None) -> None:
    """Raises LineHeldError where the gateway is of another site: its LT-1 may be another instrument than this LT-1."""
    if site is not None and held.readings["site"] != site.name:
        raise held_error(address, held)


def held_error(address: str, held: Held) -> LineHeldError:
    """The error for a line that a gateway holds."""
    return LineHeldError(
        f"{address} is polled by the gateway of site {held.readings['site']} at {held.gateway}; "
        "a second master on a line spoils the answers of both"
    )


def _holder(wanted: set[tuple[str, str]]) -> Running | None:
    """The gateway of this machine that polls one of those places."""
    for running in running_gateways():
        if any(wanted & _places(place) for places in running.lines.values() for place in places):
            return running
    return None


def _places(address: str) -> set[tuple[str, str]]:
    """Every (host, port) that the address stands for; the text itself where it cannot be resolved or is no host."""
    host, _, port = address.rpartition(":")
    if not host or not port.isdecimal():
        return {("", os.path.realpath(address))}
    bare = host.removeprefix("[").removesuffix("]")
    try:
        found = socket.getaddrinfo(bare, int(port), type=socket.SOCK_STREAM)
    except (OSError, UnicodeError, OverflowError):
        return {(bare, port)}
    return {(str(place[4][0]), port) for place in found}
