"""What is done to an HTTP server by who means harm, or by a tool that is broken: each for as long as the block runs."""

import random
import socket
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress

__all__ = ["ABUSES"]

_MANY = 250
_CONNECT_S = 0.5


@contextmanager
def _connections(port: int, first_words: Callable[[], bytes], count: int = _MANY) -> Iterator[None]:
    """So many of them, each of which says so much and stays."""
    made = []
    for _ in range(count):
        connection = socket.socket()
        connection.settimeout(_CONNECT_S)
        with suppress(OSError):  # refused, or reset: as it should be
            connection.connect(("127.0.0.1", port))
            connection.sendall(first_words())
        made.append(connection)
    try:
        yield
    finally:
        for connection in made:
            connection.close()


def _half_open(port: int, _chance: random.Random) -> AbstractContextManager[None]:
    """Requests that are never ended."""
    return _connections(port, lambda: b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n")


def _mute(port: int, _chance: random.Random) -> AbstractContextManager[None]:
    """Connections that never say a word."""
    return _connections(port, lambda: b"")


def _nonsense(port: int, chance: random.Random) -> AbstractContextManager[None]:
    """Any bytes, a TLS greeting among them."""
    return _connections(port, lambda: chance.choice([b"\x16\x03\x01\x02\x00\x01", b""]) + chance.randbytes(300), 60)


def _never_read(port: int, _chance: random.Random) -> AbstractContextManager[None]:
    """Many requests in one breath, whose answers nobody reads."""
    return _connections(port, lambda: b"GET /inventories HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 50, 20)


def _oversized(port: int, _chance: random.Random) -> AbstractContextManager[None]:
    """Headers without end, and bodies of what nobody may write to."""
    head = b"POST /inventories HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100000000\r\nX: "
    return _connections(port, lambda: head + b"x" * 200_000, 20)


ABUSES = (_half_open, _mute, _nonsense, _never_read, _oversized)
