"""What a crash happens among: tanks that move, a broker that keeps, a reader that is never cleared, folders, a ledger.

Everything is a process or a socket of its own; what has arrived is written down by foreign programs (mosquitto_sub,
psql) and read from there.
"""

import csv
import json
import signal
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from tests.crash.accounts import Arrived, Kept, Key, committed
from tests.processes.gateway_process import GatewayProcess, Instruments, eventually, gateway
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.postgres import PASSWORD, USER, Postgres

__all__ = ["TANKS", "Broker", "Reader", "Yard", "all_there", "in_database", "in_folder", "moving", "mqtt", "postgresql"]

TANKS = 12
_KEEPS = (
    "allow_anonymous true",
    "persistence true",
    "max_queued_messages 0",
    "max_inflight_messages 0",
    "autosave_interval 3600",
)


class Broker:
    """mosquitto that keeps its sessions over a kill, and a reader with one."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.server = Mosquitto(
            folder, options=(*_KEEPS, f"persistence_location {folder}/"), verbose=False, port=free_port()
        )
        self._folder = folder
        self.reader = Reader(self.server.port, folder)

    def __enter__(self) -> "Broker":
        self.server.start()
        self.reader.start()
        self.keep()
        return self

    def __exit__(self, *_: object) -> None:
        self.reader.stop()
        self.server.kill()

    def keep(self) -> None:
        """The session of the reader is on the disk from now on."""
        kept = self._folder / "mosquitto.db"

        def is_kept() -> bool:
            self.server.save()
            time.sleep(0.1)
            return kept.exists() and b"reader" in kept.read_bytes()

        eventually(is_kept, "the reader's session is kept")


class Reader:
    """mosquitto_sub with a session that is never cleared: what was acknowledged to the gateway comes to it."""

    def __init__(self, port: int, folder: Path) -> None:
        self._port = port
        self._file = folder / "arrived.txt"
        self._read = 0
        self._lines: list[tuple[float, str, dict[str, Any]]] = []
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(self._port), "-i", "reader", "-c", "-q", "1"]
        with self._file.open("ab") as file:
            self._process = subprocess.Popen(
                [*command, "-F", "%U %r %t %p", "-t", "tanks/#", "-t", "others/#"], stdout=file
            )

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def lines(self) -> list[tuple[float, str, dict[str, Any]]]:
        """(when, topic, message) of all that came and was not retained, in its order. Each is read once."""
        with self._file.open("rb") as file:
            file.seek(self._read)
            whole = file.read().rpartition(b"\n")[0]
        self._read += len(whole) + 1 if whole else 0
        for line in whole.splitlines():
            when, retained, topic, payload = line.split(b" ", 3)
            # The topic of an alarm that is no more is emptied.
            if retained == b"0" and payload:
                self._lines.append((float(when), topic.decode(), json.loads(payload)))
        return self._lines

    def history(self, prefix: str = "tanks") -> list[Arrived]:
        return [
            Arrived(_key(message), message)
            for _, topic, message in self.lines()
            if topic.startswith(f"{prefix}/") and topic.endswith(("/history", "/events"))
        ]

    def size(self) -> int:
        """Bytes of all that came."""
        return self._file.stat().st_size

    def keys(self, prefix: str) -> Iterator[Arrived]:
        """History as `history` gives it, but of its contents no more than whether two are the same: for long runs."""
        with self._file.open("rb") as file:
            for line in file:
                _, retained, topic, payload = line.split(b" ", 3)
                ours = topic.startswith(prefix.encode()) and topic.endswith((b"/history", b"/events"))
                if retained == b"0" and ours and line.endswith(b"\n"):
                    message = json.loads(payload)
                    yield Arrived(_key(message), {"contents": hash(payload), "previous": message.get("previous")})

    def last_seen(self, prefix: str) -> dict[str, float]:
        """When each boot's newest live record was, in seconds since 1970, as it says itself."""
        found: dict[str, float] = {}
        with self._file.open("rb") as file:
            for line in file:
                _, retained, topic, payload = line.split(b" ", 3)
                if retained == b"0" and topic.startswith(prefix.encode()) and topic.endswith(b"/inventory"):
                    message = json.loads(payload)
                    boot = message["identity"]["boot"]
                    at_s = datetime.fromisoformat(message["time"]).timestamp()
                    found[boot] = max(found.get(boot, 0.0), at_s)
        return found

    def live(self) -> list[tuple[float, dict[str, Any]]]:
        return [(when, message) for when, topic, message in self.lines() if topic.endswith("/inventory")]


def _key(message: Mapping[str, Any]) -> Key:
    identity = message["identity"]
    return identity["tank"] or "", identity["boot"], identity["sequence"], message.get("number", -1)


def in_folder(folder: Path) -> list[Arrived]:
    """Records and events of a folder of CSV files, finished or not, each sort in its order."""
    while True:
        with suppress(FileNotFoundError):  # it has got its name since the folder was looked at
            return _in_folder(folder)


def _in_folder(folder: Path) -> list[Arrived]:
    found = []
    for sort in ("records", "events"):
        for path in sorted(folder.glob(f"*_{sort}*"), key=lambda each: each.name.lstrip(".")):
            with path.open(encoding="utf-8", newline="") as file:
                for row in csv.DictReader(file, strict=True):
                    key = (row["tank"], row["boot"], int(row["sequence"]), int(row.get("number", -1)))
                    found.append(Arrived(key, row))
    return found


def in_database(server: Postgres) -> list[Arrived]:
    """Records and events of a database, in the order in which they came into it."""
    found = []
    for table, number in (("records", "-1"), ("events", "number")):
        query = f"SELECT json_build_array(coalesce(tank, ''), boot, sequence, {number}, instant) FROM tanks.{table}"
        # What came in one transaction came at once; it stands in the order in which it was written.
        done = server.try_psql(f"{query} ORDER BY arrived, tableoid, ctid")
        for line in done.stdout.splitlines() if done.returncode == 0 else ():
            tank, boot, sequence, of_event, instant = json.loads(line)
            found.append(Arrived((tank, boot, sequence, of_event), {"instant": instant}))
    return found


def postgresql(server: Postgres, folder: Path, *, port: int | None = None, **others: object) -> dict[str, Any]:
    """A destination as the site file has it, quick to try again."""
    file = folder / "password"
    file.write_text(PASSWORD)
    file.chmod(0o600)
    quick = {"gather": "100 ms", "backoff_first": "100 ms", "backoff_longest": "500 ms", "timeout": "2 s"}
    address = f"127.0.0.1:{server.port if port is None else port}"
    return {
        "address": address,
        "database": "postgres",
        "user_name": USER,
        "password_file": str(file),
        **quick,
        **others,
    }


@contextmanager
def moving(instruments: Sequence[Instruments]) -> Iterator[None]:
    """The liquid of every tank rises while the block runs, so that no two sheets are alike."""
    ending = threading.Event()

    def move() -> None:
        while not ending.wait(0.05):
            for each in instruments:
                each.value = 2000 + (each.value - 1999) % 6000

    thread = threading.Thread(target=move, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


def mqtt(port: int, **others: object) -> dict[str, Any]:
    """A destination as the site file has it, quick to try again."""
    quick = {"status_period": "1 s", "backoff_first": "100 ms", "backoff_longest": "500 ms", "timeout": "2 s"}
    return {"address": f"127.0.0.1:{port}", "keepalive": "2 s", **quick, **others}


class Yard:
    """A site with its instruments; the gateway is begun and ended by the test."""

    def __init__(self, folder: Path, *, commit: str = "300 ms") -> None:
        self.folder = folder
        self.kept = folder / "kept"
        self.kept.mkdir()
        self.ledger = self.kept / "harbour.ledger"
        self.site = folder / "site.yaml"
        self.log = folder / "gateway.log"
        self.instruments = [Instruments(3000), Instruments(5000)]
        self._commit = commit
        self._web = free_port()
        self._stack = ExitStack()

    def __enter__(self) -> "Yard":
        for each in self.instruments:
            self._stack.enter_context(each)
        self._stack.enter_context(moving(self.instruments))
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def write_site(
        self, delivery: Mapping[str, Any], *, simulated: bool = False, period: str = "250 ms", **ledger: object
    ) -> Path:
        """Its site file, anew."""
        lines = {
            f"line-{n}": {"address": f"127.0.0.1:{each.port}", "backoff_longest": "1 s"}
            for n, each in enumerate(self.instruments)
        }
        signals = {"innage": {"table": "holding_registers", "address": 0, "type": "uint16", "unit": "mm"}}
        site = {
            "site": {"name": "harbour", "time_zone": "UTC", "simulated": simulated},
            "lines": lines,
            "instruments": {
                f"LT-{n}": {"line": f"line-{n % 2}", "unit": n + 1, "period": period, "signals": signals}
                for n in range(TANKS)
            },
            "products": {
                "diesel": {
                    "method": "expansion_coefficient",
                    "expansion": "0.000846 /degC",
                    "reference_temperature": "15 degC",
                    "reference_density": "838 kg/m3",
                }
            },
            "tanks": {
                f"TK-{n}": {
                    "product": "diesel",
                    "shape": {"kind": "upright_cylinder", "diameter": "10 m", "height": "10 m"},
                    "reference_height": "11 m",
                    "level": {"instrument": f"LT-{n}", "signal": "innage", "measures": "innage"},
                    "free_water": "none",
                }
                for n in range(TANKS)
            },
            "ledger": {"file": str(self.ledger), "every": "1 s", "commit": self._commit, **ledger},
            "delivery": dict(delivery),
        }
        # The port stands as the tests of processes look for it; JSON is YAML.
        text = json.dumps(site, indent=1).removesuffix("}") + f', web: {{address: "127.0.0.1:{self._web}"}} }}\n'
        self.site.write_text(text, "utf-8")
        return self.site

    @contextmanager
    def gateway(self, shell: str = 'exec "$@"') -> Iterator[GatewayProcess]:
        """Killed at the end of the block, if it has not ended."""
        with self.log.open("ab") as log, gateway(self.site, stderr=log, shell=shell) as running:
            yield running

    def ends(self, running: GatewayProcess) -> None:
        """As it is told to, in the time that it promises: a process that is still there is killed by its own guard
        with another exit status."""
        assert running.end(signal.SIGTERM) == 0, self.logged()[-3:]

    def rows(self) -> list[Kept]:
        """All that is committed."""
        return committed(self.ledger)

    def logged(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log.read_text("utf-8").splitlines() if line.startswith("{")]

    def grows(self, by: int) -> None:
        """Waits until so many more are committed."""
        before = self._count()
        eventually(lambda: self._count() >= before + by, "history is committed")

    def _count(self) -> int:
        """How many are committed; none where there is no ledger yet, or one that is damaged and not set aside yet."""
        try:
            with closing(sqlite3.connect(f"{self.ledger.as_uri()}?mode=ro", uri=True, timeout=20.0)) as connection:
                (count,) = connection.execute("SELECT count(*) FROM history").fetchone()
        except sqlite3.DatabaseError:
            return 0
        return int(count)

    def waiting(self, running: GatewayProcess, destination: str) -> float:
        """What of history is kept for a destination, as the metrics say."""
        return _metric(running, "tank_gateway_destination_history_waiting", f'destination="{destination}"')

    def polls_go_on(self) -> None:
        for each in self.instruments:
            each.is_asked_again()


def _metric(running: GatewayProcess, name: str, label: str) -> float:
    found = [
        float(line.rpartition(" ")[2])
        for line in running.get("/metrics").decode().splitlines()
        if line.startswith(f"{name}{{") and label in line
    ]
    assert len(found) == 1, (name, label, found)
    return found[0]


def all_there(yard: Yard, arrived: Callable[[], list[Arrived]]) -> Callable[[], bool]:
    """Whether all that is committed has arrived, which is something."""

    def are_there() -> bool:
        kept = {each.key for each in yard.rows()}
        return bool(kept) and kept <= {each.key for each in arrived()}

    return are_there
