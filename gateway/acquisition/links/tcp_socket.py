"""What every TCP connection needs: the system's own probes, and plain words when it does not come about."""

import asyncio
import socket
from contextlib import suppress

__all__ = ["keep_alive", "plain_cause"]

# A peer that vanished without a word is noticed by the system's own probes when requests do not already show it.
_KEEPALIVE = (("TCP_KEEPIDLE", 10), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3), ("TCP_USER_TIMEOUT", 20_000))


def keep_alive(transport: asyncio.BaseTransport) -> None:
    """Sets the system's probes on a connection."""
    connection = transport.get_extra_info("socket")
    if connection is None:
        return
    with suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in _KEEPALIVE:
            if hasattr(socket, option):
                connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def plain_cause(exc: Exception) -> str:
    """Why no connection came about."""
    if isinstance(exc, socket.gaierror):
        return f"the host name cannot be resolved ({exc.strerror or exc})"
    if isinstance(exc, ConnectionRefusedError):
        return "the connection was refused"
    if isinstance(exc, OSError) and exc.strerror:
        return exc.strerror[0].lower() + exc.strerror[1:]
    return str(exc)
