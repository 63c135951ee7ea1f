"""Pure: who may connect, and for whom there is room."""

from collections.abc import Collection, Sequence
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import NamedTuple

from gateway.delivery.registers.plan import Network

__all__ = ["Admission", "Seat", "admission", "allowed"]

IDLE_FOR_ANOTHER_S = 10.0
"""Where there is no room, a connection that has asked nothing for so long makes way for a new one: a control system
that was switched off leaves its own behind, and comes back."""


class Seat(NamedTuple):
    """A connection that is open."""

    key: int
    host: str
    idle_s: float
    """Since its last request."""


class Admission(NamedTuple):
    """What becomes of somebody who connects."""

    refused: str = ""
    """Why there is no room; empty: there is."""
    makes_way: int | None = None
    """The key of the connection that is closed for it."""


def allowed(host: str, networks: Sequence[Network]) -> bool:
    """Whether an address is in one of the networks, or there are none."""
    if not networks:
        return True
    try:
        address: IPv4Address | IPv6Address = ip_address(host.partition("%")[0])
    except ValueError:
        return False
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return any(address in network for network in networks if network.version == address.version)


def admission(host: str, seats: Collection[Seat], most: int) -> Admission:
    """Half of the room is the most that one address gets, so that none takes it all from the others."""
    most_of_one = max(most // 2, min(most, 2))
    own = [seat for seat in seats if seat.host == host]
    if len(own) >= most_of_one:
        return _in_place_of(own, f"{most_of_one} connections from there are open, which is the most for one address")
    if len(seats) >= most:
        return _in_place_of(seats, f"{most} connections are open, which is the most (connections: in the site file)")
    return Admission()


def _in_place_of(seats: Collection[Seat], why: str) -> Admission:
    longest = max(seats, key=lambda seat: seat.idle_s)
    return Admission(makes_way=longest.key) if longest.idle_s >= IDLE_FOR_ANOTHER_S else Admission(refused=why)
