"""Reads of registers a second, beside pymodbus's own server of the same size, and how old a value is when it is read.

200 tanks, 125 registers a request: what a control system reads of a tank each time. pymodbus's server has nothing to
encode and answers one request at a time; ours makes what is read of a sheet once a second and may have eight under way.
"""

import socket
import struct
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from statistics import median

import psutil

from gateway.delivery.registers.layout import BLOCK, BLOCK_FIELDS
from tests.bench.interleaved import compare
from tests.bench.processes import python
from tests.bench.register_server import MOST_MS
from tests.support.register_map import request

__all__ = ["measure"]

TANKS = 200
_ANSWER = 7 + 2 + 250
_TOV = 9 + 2 * next(field.offset for field in BLOCK_FIELDS if field.key == "tov.integer")


class _Reader:
    """A blocking client of one server."""

    def __init__(self, port: int, server: psutil.Process) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._server = server

    def round(self, requests: int, in_flight: int) -> tuple[float, float]:
        """Requests a second, and microseconds of the server's processor for each."""
        frames = [request(number, BLOCK * (1 + number % TANKS), 125) for number in range(requests)]
        busy_s, begun_s = self._busy_s(), time.perf_counter()
        for first in range(0, requests, in_flight):
            batch = frames[first : first + in_flight]
            self._socket.sendall(b"".join(batch))
            self._received(len(batch) * _ANSWER)
        elapsed_s = time.perf_counter() - begun_s
        return requests / elapsed_s, 1e6 * (self._busy_s() - busy_s) / requests

    def ages_ms(self, seconds: float, per_s: float) -> tuple[list[float], list[float]]:
        """Of values at their answers, and how long each answer took, at so many requests a second."""
        ages, taken = [], []
        end_s, number = time.monotonic() + seconds, 0
        while time.monotonic() < end_s:
            begun_s = time.monotonic()
            self._socket.sendall(request(number % 65_536, BLOCK * (1 + number % TANKS), 125))
            answer = self._received(_ANSWER)
            now_ns = time.monotonic_ns()
            (made_ms,) = struct.unpack_from(">i", answer, _TOV)
            ages.append((now_ns // 1_000_000 - made_ms) % MOST_MS)
            taken.append(1e3 * (now_ns / 1e9 - begun_s))
            number += 1
            time.sleep(max(0.0, 1.0 / per_s - (time.monotonic() - begun_s)))
        return sorted(ages), sorted(taken)

    def close(self) -> None:
        self._socket.close()

    def _busy_s(self) -> float:
        times = self._server.cpu_times()
        return float(times.user + times.system)

    def _received(self, size: int) -> bytes:
        received = bytearray()
        while len(received) < size:
            part = self._socket.recv(65_536)
            assert part
            received += part
        return bytes(received)


@contextmanager
def _server(kind: str) -> Iterator[_Reader]:
    with python("-m", "tests.bench.register_server", kind, str(TANKS)) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        reader = _Reader(int(process.stdout.readline()), psutil.Process(process.pid))
        try:
            yield reader
        finally:
            reader.close()
            process.stdin.close()


def measure(*, long: bool) -> dict[str, object]:
    requests, rounds = (10_000, 9) if long else (2_000, 5)
    with ExitStack() as servers:
        ours, others = (servers.enter_context(_server(kind)) for kind in ("ours", "pymodbus"))
        time.sleep(1.5)
        baseline = "pymodbus's own server"
        rows = compare(
            {
                baseline: partial(others.round, requests, 1),
                "ours": partial(ours.round, requests, 1),
                "ours, 8 in flight": partial(ours.round, requests, 8),
            },
            baseline=baseline,
            rounds=rounds,
        )
        ages, taken = ours.ages_ms(60.0 if long else 10.0, 20.0)
    told = [
        f"{name}: median {median(found):.1f} ms, p99 {found[int(0.99 * (len(found) - 1))]:.1f} ms"
        for name, found in (("age of a value, of sheets made each second", ages), ("one answer", taken))
    ]
    return {
        "title": f"Reads of 125 registers a second, {TANKS} tanks that have a sheet each second",
        "unit": "reads/s",
        "baseline": baseline,
        "rows": [row.row() for row in rows],
        "notes": told,
        "ages_ms": {"median": median(ages), "p99": ages[int(0.99 * (len(ages) - 1))]},
    }
