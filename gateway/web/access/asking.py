"""Who is at the other end of a request, and how it came: from this machine, over TLS, through a proxy that is trusted.

What a proxy says counts where it comes from the address that the site file names, and nowhere else: anybody can write
such a header.
"""

import ipaddress
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from typing import NamedTuple

from starlette.datastructures import Headers
from starlette.types import Scope

from gateway.web.connections import peer_name

__all__ = ["Asking", "asking", "origin_asked"]

_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip", "via")


class Asking(NamedTuple):
    """How a request came."""

    peer: str
    """Its address, of version 6 the network of 64 bits; empty where that is not known."""
    is_local: bool
    """From a process of this machine, by its loopback, and not through a proxy on it."""
    is_secure: bool
    """Over TLS, to us or to the proxy."""


def asking(scope: Scope, trusted_proxy: IPv4Network | IPv6Network | None) -> Asking:
    """By the connection, and by what a trusted proxy says of it."""
    headers = Headers(scope=scope)
    address = _address((scope.get("client") or ("",))[0])
    is_secure = scope.get("scheme") == "https"
    if trusted_proxy is not None and address is not None and _is_in(address, trusted_proxy):
        before = _before(headers.getlist("x-forwarded-for"), trusted_proxy)
        # The last one is the proxy's own word; more than that may be whatever the peer wrote.
        schemes = [part.strip().lower() for line in headers.getlist("x-forwarded-proto") for part in line.split(",")]
        is_secure = is_secure or schemes[-1:] == ["https"]
        return Asking(peer_name(str(before)) if before is not None else "", False, is_secure)
    own = _address((scope.get("server") or ("",))[0])
    is_forwarded = any(name in headers for name in _FORWARDED)
    is_local = address is not None and address.is_loopback and own is not None and own.is_loopback and not is_forwarded
    return Asking("" if address is None else peer_name(str(address)), is_local, is_secure)


def origin_asked(headers: Headers, asked: Asking) -> str:
    """Under which scheme, host and port a browser has us."""
    return f"{'https' if asked.is_secure else 'http'}://{headers.get('host', '')}".lower()


def _before(lines: list[str], trusted: IPv4Network | IPv6Network) -> IPv4Address | IPv6Address | None:
    """The nearest address that is not the proxy's; None where there is none, or something that is none."""
    for part in reversed([part.strip() for line in lines for part in line.split(",")]):
        address = _address(part)
        if address is None or not _is_in(address, trusted):
            return address
    return None


def _address(text: object) -> IPv4Address | IPv6Address | None:
    try:
        address = ipaddress.ip_address(str(text).partition("%")[0])
    except ValueError:
        return None
    return (address.ipv4_mapped or address) if isinstance(address, IPv6Address) else address


def _is_in(address: IPv4Address | IPv6Address, network: IPv4Network | IPv6Network) -> bool:
    return address.version == network.version and address in network
