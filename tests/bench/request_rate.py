"""Decoded polls a second over Modbus TCP: our client beside a blocking C client (libmodbus, -O2) on the same server.

Twenty input registers a request, decoded to ten numbers on every side; ours also judges and records each as a Reading.
"""

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from tests.bench.interleaved import compare

__all__ = ["BASELINE", "measure"]

HERE = Path(__file__).resolve().parent
BUILD = HERE / "build"
BASELINE = "libmodbus, C, blocking"

# name -> (client, event loop, connections, requests in flight on each)
CLIENTS = {
    "ours, asyncio": ("ours", "asyncio", 1, 1),
    "ours, uvloop": ("ours", "uvloop", 1, 1),
    "ours, uvloop, 8 in flight": ("ours", "uvloop", 1, 8),
    "ours, uvloop, 50 connections": ("ours", "uvloop", 50, 1),
    "our whole line, uvloop": ("line", "uvloop", 1, 1),
    "our whole line, 8 in flight": ("line", "uvloop", 1, 8),
    "our whole line, 4 connections": ("several", "uvloop", 4, 1),
    "pymodbus, asyncio": ("pymodbus", "asyncio", 1, 1),
    "pymodbus, uvloop": ("pymodbus", "uvloop", 1, 1),
}


def measure(*, long: bool) -> dict[str, object]:
    requests = 100_000 if long else 20_000
    server, client = _compile("libmodbus_server"), _compile("libmodbus_client", "-lm")
    with _running(server) as port:
        contenders: dict[str, Callable[[], tuple[float, float]]] = {
            BASELINE: partial(_run, requests, str(client), str(port), str(requests))
        }
        for name, (kind, loop, connections, in_flight) in CLIENTS.items():
            arguments = (kind, loop, str(port), str(requests), str(connections), str(in_flight))
            contenders[name] = partial(_run, requests, sys.executable, "-m", "tests.bench.modbus_clients", *arguments)
        found = compare(contenders, baseline=BASELINE, rounds=9 if long else 5)
    return {
        "title": "Modbus TCP: 20 registers read and decoded, polls a second",
        "unit": "polls/s",
        "baseline": BASELINE,
        "rows": [contender.row() for contender in found],
    }


def _compile(name: str, *libraries: str) -> Path:
    BUILD.mkdir(exist_ok=True)
    command = ["gcc", "-O2", "-Wall", "-Wextra", "-o", str(BUILD / name), str(HERE / f"{name}.c"), "-lmodbus"]
    subprocess.run([*command, *libraries], check=True, timeout=120)
    return BUILD / name


@contextmanager
def _running(server: Path) -> Iterator[int]:
    with subprocess.Popen([server], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield int(process.stdout.readline())
        finally:
            process.terminate()


def _run(requests: int, *command: str) -> tuple[float, float]:
    """A client in a process of its own; it prints its seconds of wall clock and of processor."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=600)
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed: {done.stderr}")
    wall_s, cpu_s = map(float, done.stdout.split())
    return requests / wall_s, cpu_s / requests * 1e6
