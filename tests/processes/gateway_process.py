"""A gateway as the process it is at a site: instruments on sockets, an HTTP client, a broker, and a late subscriber.

The instruments are a few lines of MODBUS Messaging on TCP/IP (V1.0b), in threads of the test; they tell that they were
asked. The subscriber is mosquitto_sub, which comes when all has happened and sees what lies on the broker.
"""

import json
import os
import re
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from tests.support.mosquitto import free_port

__all__ = [
    "PATIENCE_S",
    "VALID_S",
    "GatewayProcess",
    "Instruments",
    "eventually",
    "gateway",
    "levels_of",
    "retained",
    "write_site",
]

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0
"""Longest wait for what must come. Generous: other tests share the machine."""
VALID_S = 10.0
"""For how long an inventory holds: 2.5 periods of the sites here would be less than the shortest."""


def eventually(what: Callable[[], object], so_that: str) -> None:
    """Waits until `what` is true."""
    until = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < until, so_that
        time.sleep(0.05)


class Instruments:
    """A Modbus TCP server whose every register holds the same."""

    def __init__(self, value: int = 5000) -> None:
        self.value = value
        self.asked = 0
        self.connections = 0
        self.port = 0
        self._listener: socket.socket | None = None
        self._accepting: threading.Thread | None = None
        self._connections: set[socket.socket] = set()

    def start(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]
        self._accepting = threading.Thread(target=self._accept, args=(self._listener,), daemon=True)
        self._accepting.start()

    def stop(self) -> None:
        """Gone, with all its connections."""
        assert self._listener is not None
        assert self._accepting is not None
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes whoever waits in it, who would else keep the port taken
        self._accepting.join()
        self._listener.close()
        for connection in list(self._connections):
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()

    def is_asked_again(self) -> None:
        """Waits for two more requests: one may have been on its way."""
        before = self.asked
        eventually(lambda: self.asked >= before + 2, "the instruments are polled")

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            self._connections.add(connection)
            self.connections = len(self._connections)
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, suppress(OSError):
            while len(request := connection.recv(12, socket.MSG_WAITALL)) == 12:
                number, _, _, unit, function, _, count = struct.unpack(">HHHBBHH", request)
                self.asked += 1
                data = struct.pack(">H", self.value) * count
                header = struct.pack(">HHHBBB", number, 0, 3 + len(data), unit, function, len(data))
                connection.sendall(header + data)
        self._connections.discard(connection)
        self.connections = len(self._connections)

    def __enter__(self) -> "Instruments":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


def write_site(folder: Path, instruments: Sequence[Instruments], *, broker: int | None = None) -> Path:
    """A site with one line and one tank for each of the servers, polled several times a second."""
    lines = [
        f"  line-{n}: {{address: 127.0.0.1:{each.port}, backoff_longest: 1 s}}" for n, each in enumerate(instruments)
    ]
    gauges = [
        f"  LT-{n}: {{line: line-{n}, unit: 1, period: 250 ms, timeout: 2 s, "
        "signals: {innage: {table: holding_registers, address: 0, type: uint16, unit: mm}}}"
        for n in range(len(instruments))
    ]
    tanks = [
        f"  TK-{n}: {{product: diesel, shape: {{kind: upright_cylinder, diameter: 10 m, height: 10 m}}, "
        f"reference_height: 11 m, level: {{instrument: LT-{n}, signal: innage, measures: innage}}, free_water: none}}"
        for n in range(len(instruments))
    ]
    text = f"""
site: {{name: harbour, time_zone: UTC}}
lines:
{chr(10).join(lines)}
instruments:
{chr(10).join(gauges)}
products:
  diesel: {{method: expansion_coefficient, expansion: 0.000846 /degC, reference_temperature: 15 degC,
    reference_density: 838 kg/m3}}
tanks:
{chr(10).join(tanks)}
web: {{address: "127.0.0.1:{free_port()}"}}
"""
    if broker is not None:
        text += f"delivery: {{mqtt: {{address: 127.0.0.1:{broker}, status_period: 1 s, backoff_longest: 1 s}}}}\n"
    path = folder / "site.yaml"
    path.write_text(text, "utf-8")
    return path


def retained(broker: int, tanks: int) -> list[dict[str, Any]]:
    """So many tanks as they lie on the broker for one who comes now."""
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker), "-t", "tanks/harbour/+/inventory"]
    options = ["--retained-only", "-C", str(tanks), "-W", "5"]
    done = subprocess.run([*command, *options], stdout=subprocess.PIPE, timeout=PATIENCE_S)
    return [json.loads(line) for line in done.stdout.splitlines()]


def levels_of(inventories: Sequence[Mapping[str, Any]], now: datetime | None = None) -> list[int]:
    """What passes for the present at an instant, else at once: the levels in mm that are not Bad, in order."""
    instant = datetime.now(UTC) if now is None else now
    return sorted(
        round(1000 * level["value"])
        for each in inventories
        if (level := each["figures"]["level"])["value"] is not None
        and level["quality"] != "Bad"
        and datetime.fromisoformat(each["valid_until"]) > instant
    )


def _port(pattern: str, text: str) -> int:
    found = re.search(pattern, text)
    return 0 if found is None else int(found[1])


class GatewayProcess:
    """`tank-gateway run`, seen from outside."""

    def __init__(self, process: "subprocess.Popen[bytes]", site: Path) -> None:
        self.process = process
        text = site.read_text("utf-8")
        self.port = _port(r'web: \{address: "127\.0\.0\.1:(\d+)"', text)
        self.broker = _port(r"mqtt: \{address: 127\.0\.0\.1:(\d+)", text)

    def get(self, path: str) -> bytes:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=PATIENCE_S) as answer:
                body: bytes = answer.read()
        except OSError:
            assert self.process.poll() is None, "the gateway has ended"
            raise
        return body

    def serves(self) -> bool:
        try:
            return bool(self.get("/health"))
        except OSError:
            return False

    def inventories(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads(self.get("/inventories"))["inventories"]
        return found

    def goes_on(self, *instruments: Instruments) -> None:
        """The liquid of every tank moves by 1 mm: waits until that is told over HTTP and, where there is a broker,
        to who comes late."""
        eventually(self.serves, "the gateway answers over HTTP")
        for each in instruments:
            each.value += 1
        levels = sorted(each.value for each in instruments)
        eventually(lambda: levels_of(self.inventories()) == levels, "the levels of now are told over HTTP")
        if self.broker:
            eventually(
                lambda: levels_of(retained(self.broker, len(levels))) == levels, "the levels of now lie on the broker"
            )

    def metric(self, name: str) -> float:
        lines = self.get("/metrics").decode().splitlines()
        return sum(float(line.rpartition(" ")[2]) for line in lines if line.startswith(f"{name}{{"))

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Its exit code after a signal. Bounded: what must end in ten seconds may take longer on a busy machine."""
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)

    def ends_well(self, number: signal.Signals = signal.SIGTERM) -> None:
        """With exit code 0 after a signal, and nothing that lies on the broker passes for the present."""
        tanks = len(self.inventories())
        assert self.end(number) == 0
        found = retained(self.broker, tanks)
        assert [each["figures"]["level"]["reason"]["code"] for each in found] == ["not_watched"] * tanks


@contextmanager
def gateway(
    site: Path,
    *,
    stdout: "int | IO[bytes]" = subprocess.DEVNULL,
    stderr: "int | IO[bytes]" = subprocess.DEVNULL,
    environment: Mapping[str, str] | None = None,
    shell: str = 'exec "$@"',
) -> Iterator[GatewayProcess]:
    """`shell` starts it, where it needs what a shell does before."""
    process = subprocess.Popen(
        ["/bin/sh", "-c", shell, "sh", sys.executable, "-m", "gateway", "run", str(site)],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=stdout,
        stderr=stderr,
        env={**os.environ, **(environment or {})},
    )
    try:
        yield GatewayProcess(process, site)
    finally:
        process.kill()
        process.wait()
