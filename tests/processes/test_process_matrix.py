"""What is done to a gateway from outside, and what must go on: the tanks, and a clean end when one is asked for."""

import json
import os
import resource
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from tests.processes.gateway_process import (
    PATIENCE_S,
    ROOT,
    GatewayProcess,
    Instruments,
    eventually,
    gateway,
    write_site,
)
from tests.support.mosquitto import Mosquitto

DROPPED = "tank_gateway_log_lines_dropped_total"

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def yard() -> Iterator[list[Instruments]]:
    """Two servers, each with an instrument of its own."""
    with Instruments(5000) as first, Instruments(7000) as second:
        yield [first, second]


@pytest.fixture
def site(tmp_path: Path, yard: list[Instruments]) -> Path:
    return write_site(tmp_path, yard)


class Pipe:
    """A pipe, and all that ever came out of it."""

    def __init__(self) -> None:
        self.reading, self.writing = os.pipe()
        os.set_blocking(self.reading, False)
        self._read = b""

    def fill(self) -> None:
        """Not a byte more goes in, until somebody reads."""
        os.set_blocking(self.writing, False)
        with suppress(BlockingIOError):
            while True:
                os.write(self.writing, b"\n" * select.PIPE_BUF)
        os.set_blocking(self.writing, True)

    def logged(self) -> list[dict[str, Any]]:
        with suppress(BlockingIOError):
            while some := os.read(self.reading, 65536):
                self._read += some
        whole = self._read.rpartition(b"\n")[0]
        return [json.loads(line) for line in whole.splitlines() if line]

    def close(self) -> None:
        for descriptor in (self.reading, self.writing):
            with suppress(OSError):  # which a test has closed
                os.close(descriptor)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    made.close()


def loses_and_finds(running: GatewayProcess, lost: Instruments, other: Instruments) -> None:
    """A line is lost, which is a line in the log, and comes back; the other is polled all the while."""
    lost.stop()
    other.is_asked_again()
    lost.start()
    running.goes_on(lost, other)


# The log


def test_a_log_that_nobody_reads_holds_up_nothing(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    pipe.fill()
    with gateway(site, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        # Read again it goes on where it was held up; the queue was long enough for everything.
        eventually(lambda: [each for each in pipe.logged() if each["event"] == "line.lost"], "the log is written")
        assert pipe.logged()[0]["event"] == "gateway.started"
        assert running.metric(DROPPED) == 0
        assert running.end() == 0


def test_it_ends_though_its_log_is_never_read(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    pipe.fill()
    with gateway(site, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        assert running.end() == 0


def test_a_mistake_ends_it_though_its_log_is_never_read(tmp_path: Path, pipe: Pipe) -> None:
    pipe.fill()
    (tmp_path / "site.yaml").write_text("site: {name: harbour}\n", "utf-8")
    command = [sys.executable, "-m", "gateway", "run", str(tmp_path / "site.yaml")]
    assert subprocess.run(command, cwd=ROOT, stderr=pipe.writing, timeout=PATIENCE_S).returncode == 2


def test_a_log_whose_reader_has_gone_ends_nothing(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    os.close(pipe.reading)
    with gateway(site, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        assert running.metric(DROPPED) > 0
        assert running.end() == 0


@pytest.mark.parametrize("closed", ["2>&-", "<&- >&- 2>&-"])
def test_what_is_closed_at_the_start_never_becomes_a_socket(closed: str, site: Path, yard: list[Instruments]) -> None:
    with gateway(site, shell=f'exec "$@" {closed}') as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        assert os.readlink(f"/proc/{running.process.pid}/fd/2") == "/dev/null"
        assert running.metric(DROPPED) == 0
        assert running.end() == 0


class Disk:
    """A log on a disk without room: on a tiny file system of its own where the tests may mount one, else in a file that
    the system lets nobody make longer."""

    def __init__(self, folder: Path) -> None:
        self.log = folder / "log"
        self._pid: int | None = None

    def fill(self, pid: int) -> None:
        """Not a byte more goes in."""
        if os.geteuid() == 0:
            with self.log.open("ab", buffering=0) as file, suppress(OSError):
                while file.write(b"x" * 4096):
                    pass
        else:
            self._pid = pid
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (self.log.stat().st_size, resource.RLIM_INFINITY))

    def free(self) -> None:
        if self._pid is None:
            os.truncate(self.log, 0)
        else:
            resource.prlimit(self._pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


@contextmanager
def a_small_disk(folder: Path) -> Iterator[Disk]:
    folder.mkdir()
    with ExitStack() as stack:
        if os.geteuid() == 0:
            subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", folder], check=True)
            stack.callback(lambda: subprocess.run(["umount", "--lazy", folder], check=True))
        yield Disk(folder)


def test_a_full_disk_ends_nothing_and_is_told_of_when_there_is_room(
    site: Path, yard: list[Instruments], tmp_path: Path
) -> None:
    with a_small_disk(tmp_path / "disk") as disk, disk.log.open("ab") as log, gateway(site, stderr=log) as running:
        running.goes_on(*yard)
        disk.fill(running.process.pid)
        loses_and_finds(running, *yard)
        dropped = running.metric(DROPPED)
        assert dropped > 0
        disk.free()

        def told() -> list[int]:
            found = []
            for line in disk.log.read_text("utf-8").splitlines():
                with suppress(ValueError):  # the line that the full disk tore
                    entry = json.loads(line)
                    if entry["event"] == "log.lines_dropped":
                        found.append(entry["lines"])
            return found

        eventually(told, "what was dropped is told")
        assert sum(told()) >= dropped
        running.goes_on(*yard)
        assert running.end() == 0


# HTTP


@contextmanager
def half_open(port: int, count: int) -> Iterator[list[socket.socket]]:
    """Connections that begin a request and never end it."""
    with ExitStack() as stack:
        made = []
        for _ in range(count):
            connection = stack.enter_context(socket.socket())
            connection.settimeout(PATIENCE_S)
            with suppress(OSError):
                connection.connect(("127.0.0.1", port))
                connection.sendall(b"GET /metrics HTTP/1.1\r\nHost: 127.0.0.1\r\n")
            made.append(connection)
        yield made


@pytest.mark.parametrize("limit", [256, 100])
def test_http_takes_no_descriptor_from_the_lines(limit: int, site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    """Two lines need 2, HTTP 129, the process and what it opens for a moment 48: 179. With 100 it says so, and HTTP
    gets what is left."""
    with gateway(site, stderr=pipe.writing, shell=f'ulimit -n {limit}; exec "$@"') as running:
        running.goes_on(*yard)
        with half_open(running.port, 300):
            # All instruments at once want new connections.
            for each in yard:
                each.stop()
            for each in yard:
                each.start()
            running.goes_on(*yard)
            held = len(os.listdir(f"/proc/{running.process.pid}/fd"))
            assert held < limit - 10
        too_few = [each for each in pipe.logged() if each["event"] == "gateway.too_few_descriptors"]
        if limit == 256:
            assert too_few == []
        else:
            assert "needs 179 descriptors (2 for lines, 129 for HTTP" in too_few[0]["trouble"]
        assert running.end() == 0


def test_the_soft_limit_is_raised_where_the_hard_one_allows_it(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    with gateway(site, stderr=pipe.writing, shell='ulimit -Sn 64; ulimit -Hn 500; exec "$@"') as running:
        running.goes_on(*yard)
        assert resource.prlimit(running.process.pid, resource.RLIMIT_NOFILE) == (500, 500)
        assert [each for each in pipe.logged() if "descriptors" in each["event"]] == []
        assert running.end() == 0


# Signals


def handles(process: "subprocess.Popen[bytes]", number: signal.Signals) -> bool:
    """Whether the process catches or ignores it by now."""
    status = Path(f"/proc/{process.pid}/status").read_text("ascii")
    masks = (int(status.partition(f"{name}:")[2].split()[0], 16) for name in ("SigCgt", "SigIgn"))
    return any(mask >> (number - 1) & 1 for mask in masks)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("stage", ["loading", "running", "stopping"])
def test_it_ends_with_0_at_every_stage(number: signal.Signals, stage: str, site: Path, yard: list[Instruments]) -> None:
    with gateway(site) as running:
        if stage == "loading":
            # That one is ignored as soon as the others are listened to; SIGINT the interpreter has from the beginning.
            eventually(lambda: handles(running.process, signal.SIGUSR2), "the gateway listens to signals")
        else:
            running.goes_on(*yard)
        if stage == "stopping":
            running.process.send_signal(signal.SIGTERM)
        assert running.end(number) == 0


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2, signal.SIGPIPE])
@pytest.mark.parametrize("stage", ["loading", "running"])
def test_what_asks_for_no_end_ends_nothing(
    number: signal.Signals, stage: str, site: Path, yard: list[Instruments]
) -> None:
    """A terminal that is closed, a tool that turns logs over, a reader that has gone."""
    with gateway(site) as running:
        if stage == "running":
            running.goes_on(*yard)
        eventually(lambda: handles(running.process, number), "the gateway listens to signals")
        running.process.send_signal(number)
        running.goes_on(*yard)
        assert running.end() == 0


def test_a_while_of_standing_still_is_over_when_it_is_over(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    """A debugger, a virtual machine that is moved. The values of before are told apart by their time."""
    with gateway(site, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        running.process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, running.process.pid, os.WSTOPPED)
        asked = [each.asked for each in yard]
        # Longer than a request may take: every answer under way has become too late.
        with pytest.raises(subprocess.TimeoutExpired):
            running.process.wait(3.0)
        assert [each.asked for each in yard] == asked
        running.process.send_signal(signal.SIGCONT)
        running.goes_on(*yard)
        assert running.end() == 0
    assert not [each for each in pipe.logged() if each["event"] == "gateway.loops_stuck"]


def test_after_a_kill_the_next_one_begins_at_once(tmp_path: Path, yard: list[Instruments]) -> None:
    """Nothing of the one that was killed stands in its way; a subscriber reads that it is gone, and that it is back."""
    with Mosquitto(tmp_path) as broker:
        site = write_site(tmp_path, yard, broker=broker.port)

        def said() -> str:
            command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), "-W", "5", "-C", "1"]
            topic = ["-t", "tanks/harbour/gateway/status"]
            done = subprocess.run([*command, *topic], capture_output=True, text=True, timeout=PATIENCE_S)
            return str(json.loads(done.stdout)["state"]) if done.stdout else ""

        for _ in range(2):
            with gateway(site) as running:
                running.goes_on(*yard)
                eventually(lambda: said() == "online", "it says that it is there")
                running.process.kill()
                running.process.wait()
                eventually(lambda: said() == "offline", "its last will says that it is gone")
