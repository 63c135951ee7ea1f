"""The demo as a site has it: simulated instruments on free ports, and `tank-gateway run` as a process of its own."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from http import HTTPStatus
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import yaml

import simulators
from gateway.process.memory_file import DIRECTORY_VARIABLE as STATE
from gateway.process.running import DIRECTORY_VARIABLE as RUNTIME
from gateway.resources import config_path
from tests.support.mosquitto import free_port

__all__ = ["PATIENCE_S", "DemoSite", "Instruments", "eventually"]

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0
"""Longest wait for what must come. Generous: other tests share the machine."""

Made = TypeVar("Made")


def eventually(what: Callable[[], Made], so_that: str, patience_s: float = PATIENCE_S) -> Made:
    """The first true answer of `what`."""
    until = time.monotonic() + patience_s
    while not (made := what()):
        assert time.monotonic() < until, so_that
        time.sleep(0.05)
    return made


class Instruments:
    """A scenario of the simulators in a thread of the test, which may look at its truth and disturb it."""

    def __init__(self, scenario: str) -> None:
        self._scenario = scenario
        self._started = threading.Event()
        self._running: simulators.Running
        self._loop: asyncio.AbstractEventLoop
        self._end: asyncio.Event
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)

    def start(self) -> None:
        self._thread.start()
        assert self._started.wait(PATIENCE_S), "the simulators have not started"

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join()

    @property
    def addresses(self) -> dict[str, str]:
        """Line -> host:port."""
        return {line: f"{host}:{port}" for line, (host, port) in self._running.addresses.items()}

    def ask(self, what: Callable[[simulators.Running], Made]) -> Made:
        """What is true of the simulated site, or is done to it, in its own thread between two ticks."""

        async def answer() -> Made:
            return what(self._running)

        return asyncio.run_coroutine_threadsafe(answer(), self._loop).result(PATIENCE_S)

    async def _serve(self) -> None:
        scenario = simulators.load_scenario(self._scenario)
        async with simulators.serve(scenario, ports=dict.fromkeys(scenario.lines, 0)) as running:
            self._running, self._loop, self._end = running, asyncio.get_running_loop(), asyncio.Event()
            self._started.set()
            await self._end.wait()


class DemoSite:
    """A gateway process on a site of `config/demo`, with a state directory and so a ledger, without a broker.

    It may be ended, killed and started again on the same port and the same ledger.
    """

    def __init__(
        self,
        folder: Path,
        *,
        file: str = "site.yaml",
        scenario: str = "demo",
        change: Callable[[dict[str, Any]], object] = lambda site: None,
        time_factor: float = 1.0,
    ) -> None:
        """`change` may alter what the site file says, as YAML has it, before it is written. `time_factor`: as the
        scenario has it, which may be a file."""
        self.folder = folder
        self.instruments = Instruments(scenario)
        self.port = free_port()
        self._file, self._change, self._time_factor = file, change, time_factor
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def site_file(self) -> Path:
        return self.folder / "site.yaml"

    @property
    def state(self) -> Path:
        return self.folder / "state"

    @property
    def environment(self) -> dict[str, str]:
        """For a command that is to find this gateway."""
        return {**os.environ, STATE: str(self.state), RUNTIME: str(self.folder / "runtime")}

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.state.mkdir(exist_ok=True)
        self.instruments.start()
        self._write_site()
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
        self.instruments.stop()

    def start(self) -> None:
        """Run it, and wait until every tank has its first inventory."""
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "gateway", "run", str(self.site_file)),
                    *("--time-factor", f"{self._time_factor:g}"),
                ],
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=log,
                env=self.environment,
            )
        tanks = len(yaml.load(self.site_file.read_text("utf-8"), yaml.BaseLoader)["tanks"])
        eventually(lambda: self._has_calculated(tanks), f"all tanks are calculated: {self.log()[-2000:]}")

    def end(self) -> None:
        """As a service manager would."""
        self._signal(signal.SIGTERM)

    def kill(self) -> None:
        """As a power cut would."""
        self._signal(signal.SIGKILL)

    def freeze(self) -> None:
        """It stands still, connections and all."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def run(self, *arguments: str) -> str:
        """What another `tank-gateway` command on this machine prints."""
        command = [sys.executable, "-m", "gateway", *arguments]
        done = subprocess.run(
            command, cwd=ROOT, env=self.environment, capture_output=True, text=True, timeout=PATIENCE_S
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def get(self, path: str) -> Any:
        """A JSON document, as a program gets it."""
        with urllib.request.urlopen(f"{self.address}{path}", timeout=PATIENCE_S) as answer:
            return json.load(answer)

    def inventory(self, tank: str) -> Any:
        return {each["identity"]["tank"]: each for each in self.get("/inventories")["inventories"]}[tank]

    def log(self) -> str:
        return (self.folder / "log").read_text("utf-8")

    def _signal(self, number: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(number)
        self._process.send_signal(signal.SIGCONT)
        self._process.wait(PATIENCE_S)
        self._process = None

    def _has_calculated(self, tanks: int) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"the gateway has ended: {self.log()[-2000:]}"
        try:
            return len(self.get("/inventories")["inventories"]) == tanks
        except urllib.error.HTTPError as error:
            # Where nobody may look without signing in, that it says so must do.
            return error.code == HTTPStatus.UNAUTHORIZED
        except OSError:
            return False

    def _write_site(self) -> None:
        with config_path("demo", self._file).open(encoding="utf-8") as file:
            site: dict[str, Any] = yaml.load(file, yaml.BaseLoader)
        _date(site, f"{datetime.now(UTC):%Y-%m-%dT%H:%MZ}")
        for line, address in self.instruments.addresses.items():
            site["lines"][line]["address"] = address
        site.pop("delivery", None)
        site["web"] = {"address": f"127.0.0.1:{self.port}"}
        self._change(site)
        self.site_file.write_text(yaml.safe_dump(site, allow_unicode=True, sort_keys=False), "utf-8")


def _date(node: Any, today: str) -> None:
    """Every `entered` becomes today's: a sample must not go stale on the shelf."""
    if isinstance(node, Mapping):
        for key, child in node.items():
            if key == "entered":
                node[key] = today  # type: ignore[index]
            _date(child, today)
    elif isinstance(node, list):
        for child in node:
            _date(child, today)
