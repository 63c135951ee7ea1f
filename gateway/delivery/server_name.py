"""The name of a server, looked up by a thread that nobody waits for.

A library has the loop's own threads do it, and for those the process waits at its end, however long a name server is
silent. So it is given a name only when it has just been answered for.
"""

import ipaddress
import socket
from concurrent.futures import Future
from functools import partial
from typing import Any

from gateway.delivery.faults import DeliveryFault, FaultKind
from gateway.process.one_thread import OneThread, done_within

__all__ = ["ServerName"]


class ServerName:
    """Of one destination. At most one look-up is under way."""

    def __init__(self, host: str, port: int) -> None:
        self._host = host
        self._port = port
        self._thread = OneThread(f"name {host}")
        self._looking: Future[Any] | None = None

    async def is_known(self, within_s: float) -> None:
        """Raises DeliveryFault where nobody knows it, or nobody says so in time."""
        if _is_address(self._host):
            return
        if self._looking is None:
            look_up = partial(socket.getaddrinfo, self._host, self._port, type=socket.SOCK_STREAM)
            self._looking = self._thread.do(look_up)
            self._thread.end()
        if not await done_within(self._looking, within_s):
            text = f"{self._host} was not looked up within {within_s:g} s: is there a name server that answers?"
            raise DeliveryFault(FaultKind.PASSING, text)
        answered, self._looking = self._looking, None
        try:
            answered.result()
        except OSError as exc:
            raise DeliveryFault(FaultKind.PASSING, exc.strerror or "the name server did not answer") from exc
        except UnicodeError as exc:  # a name that IDNA refuses
            raise DeliveryFault(FaultKind.PERSON, f"'{self._host}' is no host name: {exc}") from exc


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
