"""What the service manager hears, by a socket of its own: sd_notify(3), in a path and in the abstract space."""

import asyncio
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway import daemon, run_site
from gateway.acquisition.line import Line
from gateway.daemon import Daemon
from gateway.process.service_manager import ServiceManager
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from tests.processes.gateway_process import Instruments, write_site
from tests.support.endings import for_ever

_ROOT = Path(__file__).parents[1]
_PATIENCE_S = 30.0
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


class Manager:
    """The other end."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self._socket.settimeout(_PATIENCE_S)

    def heard(self) -> list[str]:
        """The lines of the next datagram."""
        return self._socket.recv(4096).decode().split("\n")

    def heard_by_now(self) -> list[list[str]]:
        found = []
        self._socket.setblocking(False)
        try:
            while True:
                found.append(self._socket.recv(4096).decode().split("\n"))
        except BlockingIOError:
            return found
        finally:
            self._socket.settimeout(_PATIENCE_S)

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    address = f"@tank-gateway-test-{os.getpid()}" if request.param == "abstract" else str(tmp_path / "notify")
    with closing(Manager(address)) as made:
        yield made


@pytest.fixture
def site() -> SiteSettings:
    return replace(load_site(config_path("one_tank.yaml"), now=NOW), deliveries=(), http=None)


def test_each_word_is_one_datagram(manager: Manager) -> None:
    with closing(ServiceManager(manager.address)) as told:
        assert told.listens
        told.ready("watching 1 tank")
        told.alive("1 Good")
        told.unwell("stuck: line a")
        told.stopping()
    assert manager.heard() == ["READY=1", "STATUS=watching 1 tank"]
    assert manager.heard() == ["WATCHDOG=1", "STATUS=1 Good"]
    assert manager.heard() == ["STATUS=stuck: line a"]
    assert manager.heard() == ["STOPPING=1", "STATUS=stopping"]


def test_a_manager_that_begins_anew_is_heard_by_again(tmp_path: Path) -> None:
    """systemd makes its socket anew when it is replaced by a newer version of itself (daemon-reexec)."""
    address = str(tmp_path / "notify")
    first = Manager(address)
    with closing(ServiceManager(address)) as told:
        told.ready("")
        first.close()
        told.alive("to nobody")
        (tmp_path / "notify").unlink()
        told.alive("to nobody")
        with closing(Manager(address)) as second:
            told.alive("and on")
            assert second.heard() == ["WATCHDOG=1", "STATUS=and on"]


def test_a_manager_that_does_not_read_holds_up_nothing(tmp_path: Path) -> None:
    """The queue of a datagram socket holds some ten messages (net.unix.max_dgram_qlen)."""
    with closing(Manager(str(tmp_path / "notify"))) as deaf, closing(ServiceManager(deaf.address)) as told:
        for _ in range(1000):
            told.alive("")
        assert len(deaf.heard_by_now()) < 1000


@pytest.mark.parametrize("address", [None, "relative/path", "vsock:2:1234", "/no/such/folder/notify"])
def test_without_a_manager_nothing_happens(address: str | None) -> None:
    with closing(ServiceManager(address)) as told:
        assert told.listens is (address is not None and address.startswith("/"))
        told.ready("")
        told.alive("")
        told.stopping()


@pytest.mark.parametrize(
    ("environment", "watchdog_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "²"}, None),
    ],
)
def test_the_watchdog_is_that_of_this_process(environment: dict[str, str], watchdog_s: float | None) -> None:
    assert ServiceManager.of_this_process(environment).watchdog_s == watchdog_s


# The daemon


class Word:
    """Stands in for the socket: what was said, as it was said."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.more = asyncio.Event()

    def take(self, text: str, _patience_s: float = 0.0) -> None:
        self.said.append(text.partition("\n")[0])
        self.more.set()

    async def until(self, word: str) -> None:
        async with asyncio.timeout(_PATIENCE_S):
            while word not in self.said:
                self.more.clear()
                await self.more.wait()


def told_to(word: Word, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, watchdog_s: float | None) -> ServiceManager:
    told = ServiceManager(str(tmp_path / "nobody"), watchdog_s)
    monkeypatch.setattr(told, "_send", word.take)
    return told


async def test_the_daemon_is_ready_alive_and_stopping(
    site: SiteSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    word = Word()
    stop = asyncio.Event()
    with closing(told_to(word, tmp_path, monkeypatch, 0.1)) as told:
        running = asyncio.create_task(run_site.run(site, stop=stop, manager=told))
        await word.until("WATCHDOG=1")
        stop.set()
        async with asyncio.timeout(_PATIENCE_S):
            await running
    assert word.said[0] == "READY=1"
    assert word.said[-1] == "STOPPING=1"
    assert {*word.said[1:-1]} == {"WATCHDOG=1"}


async def test_a_line_that_hangs_is_named_and_no_sign_of_life_is_given(
    site: SiteSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its loop waits for what never comes; all others go on. It may wait for a connection and an answer, 3 s and 1 s,
    and here 0.2 s beside."""
    (line,) = site.lines
    answer_s = max(each.timeout_s + each.pause_s for each in line.instruments)
    monkeypatch.setattr(daemon, "_LOOP_LATE_S", 0.2 - line.connect_timeout_s - answer_s)

    async def hangs(_: Line) -> None:
        await for_ever()

    monkeypatch.setattr(Line, "run", hangs)
    word = Word()
    with capture_logs() as logs, closing(told_to(word, tmp_path, monkeypatch, 0.1)) as told:
        gateway = Daemon(site, manager=told)
        running = asyncio.create_task(gateway.run())
        await word.until(f"STATUS=stuck: line {line.name}")
        assert not gateway.healthy()
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
    after = word.said[word.said.index(f"STATUS=stuck: line {line.name}") :]
    assert "WATCHDOG=1" not in after
    (stuck,) = [log for log in logs if log["event"] == "gateway.loops_stuck"]
    assert stuck["loops"] == [f"line {line.name}"]


async def test_turns_of_a_line_are_its_readings_and_its_waits(site: SiteSettings) -> None:
    """Of a line that nobody answers as well."""
    gateway = Daemon(site)
    name = f"line {site.lines[0].name}"
    progress = gateway._progress
    begun_ns = progress._due_ns[name]
    running = asyncio.create_task(gateway.run())
    async with asyncio.timeout(_PATIENCE_S):
        while progress._due_ns[name] <= begun_ns + 1_000_000:  # noqa: ASYNC110 (nothing tells)
            await asyncio.sleep(0.01)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


def test_a_real_process_under_a_watchdog(manager: Manager, tmp_path: Path) -> None:
    """READY, signs of life, none while it is stopped (SIGSTOP), more when it goes on, STOPPING."""
    environment = {
        **os.environ,
        "NOTIFY_SOCKET": manager.address,
        "WATCHDOG_USEC": "400000",
    }
    with Instruments() as instruments:
        site = write_site(tmp_path, [instruments])
    process = subprocess.Popen(
        [sys.executable, "-m", "gateway", "run", str(site)], cwd=_ROOT, env=environment, stderr=subprocess.DEVNULL
    )
    try:
        assert manager.heard()[0] == "READY=1"
        for _ in range(3):
            assert manager.heard()[0] == "WATCHDOG=1"
        process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, process.pid, os.WSTOPPED)
        manager.heard_by_now()
        assert manager.heard_by_now() == []
        process.send_signal(signal.SIGCONT)
        assert manager.heard()[0] == "WATCHDOG=1"
        process.send_signal(signal.SIGTERM)
        while (heard := manager.heard())[0] != "STOPPING=1":
            assert heard[0] == "WATCHDOG=1"
        assert process.wait(_PATIENCE_S) == 0
    finally:
        process.kill()
        process.wait()
