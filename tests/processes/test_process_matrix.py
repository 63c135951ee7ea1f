"""What is done to a gateway from outside, and what must go on: the tanks, what a subscriber reads who comes late, and a
clean end when one is asked for."""

import json
import os
import resource
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.processes.gateway_process import (
    PATIENCE_S,
    ROOT,
    VALID_S,
    GatewayProcess,
    Instruments,
    eventually,
    gateway,
    levels_of,
    retained,
)
from tests.processes.pipe import Pipe

DROPPED = "tank_gateway_log_lines_dropped_total"

pytestmark = pytest.mark.timeout(240)


def loses_and_finds(running: GatewayProcess, lost: Instruments, other: Instruments) -> None:
    """A line is lost, which is a line in the log, and comes back; the other is polled all the while."""
    lost.stop()
    other.is_asked_again()
    lost.start()
    running.goes_on(lost, other)


# The log


def test_a_log_that_nobody_reads_holds_up_nothing(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    pipe.fill()
    with gateway(site, stdout=pipe.writing, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        # Read again it goes on where it was held up; the queue was long enough for everything.
        eventually(lambda: [each for each in pipe.logged() if each["event"] == "line.lost"], "the log is written")
        assert [each["event"] for each in pipe.logged()[:2]] == ["ledger.not_kept", "gateway.started"]
        assert running.metric(DROPPED) == 0
        running.ends_well()


def test_it_ends_though_its_log_is_never_read(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    pipe.fill()
    with gateway(site, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        running.ends_well()


def test_a_mistake_ends_it_though_its_log_is_never_read(tmp_path: Path, pipe: Pipe) -> None:
    pipe.fill()
    (tmp_path / "site.yaml").write_text("site: {name: harbour}\n", "utf-8")
    command = [sys.executable, "-m", "gateway", "run", str(tmp_path / "site.yaml")]
    assert subprocess.run(command, cwd=ROOT, stderr=pipe.writing, timeout=PATIENCE_S).returncode == 2


def test_a_log_whose_reader_has_gone_ends_nothing(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    os.close(pipe.reading)
    with gateway(site, stdout=pipe.writing, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        assert running.metric(DROPPED) > 0
        running.ends_well()


def test_a_log_that_takes_nothing_from_the_beginning_ends_nothing(site: Path, yard: list[Instruments]) -> None:
    with gateway(site, shell='exec "$@" >/dev/full 2>/dev/full') as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        assert running.metric(DROPPED) > 0
        running.ends_well()


@pytest.mark.parametrize("closed", ["2>&-", "<&- >&- 2>&-"])
def test_what_is_closed_at_the_start_never_becomes_a_socket(closed: str, site: Path, yard: list[Instruments]) -> None:
    with gateway(site, shell=f'exec "$@" {closed}') as running:
        running.goes_on(*yard)
        loses_and_finds(running, *yard)
        assert os.readlink(f"/proc/{running.process.pid}/fd/2") == "/dev/null"
        assert running.metric(DROPPED) == 0
        running.ends_well()


FULL = ["file_too_large", *(["no_space_left"] if os.geteuid() == 0 else [])]
"""The first needs no rights: a file that the system lets nobody make longer, with SIGXFSZ for who tries. The other is a
tiny file system of its own."""


class Disk:
    """A log on a disk without room."""

    def __init__(self, folder: Path, kind: str) -> None:
        self.log = folder / "log"
        self._kind = kind
        self._pid: int | None = None

    def fill(self, pid: int) -> None:
        """Not a byte more goes in."""
        if self._kind == "no_space_left":
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
def a_small_disk(folder: Path, kind: str) -> Iterator[Disk]:
    folder.mkdir()
    with ExitStack() as stack:
        if kind == "no_space_left":
            subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", folder], check=True)
            stack.callback(lambda: subprocess.run(["umount", "--lazy", folder], check=True))
        yield Disk(folder, kind)


@pytest.mark.parametrize("kind", FULL)
def test_a_full_disk_ends_nothing_and_is_told_of_when_there_is_room(
    kind: str, site: Path, yard: list[Instruments], tmp_path: Path
) -> None:
    with (
        a_small_disk(tmp_path / "disk", kind) as disk,
        disk.log.open("ab") as log,
        gateway(site, stderr=log) as running,
    ):
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
        running.ends_well()


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
    """Two lines need 2, HTTP 129, the broker 6, the process and what it opens for a moment 48, the door 20, the ledger
    6: 211. With 100 it says so, and HTTP gets what is left."""
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
            assert "needs 211 descriptors (2 for lines, 129 for HTTP, 6 for deliveries" in too_few[0]["trouble"]
        running.ends_well()


def test_the_soft_limit_is_raised_where_the_hard_one_allows_it(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    with gateway(site, stderr=pipe.writing, shell='ulimit -Sn 64; ulimit -Hn 500; exec "$@"') as running:
        running.goes_on(*yard)
        assert resource.prlimit(running.process.pid, resource.RLIMIT_NOFILE) == (500, 500)
        assert [each for each in pipe.logged() if "descriptors" in each["event"]] == []
        running.ends_well()


# Standing still, and being killed


def believed_after(running: GatewayProcess, end: datetime) -> list[int]:
    """What a subscriber believes who comes when all that was told up to `end` has had its time."""
    return levels_of(retained(running.broker, 2), end + timedelta(seconds=VALID_S))


def test_a_while_of_standing_still_is_over_when_it_is_over(site: Path, yard: list[Instruments], pipe: Pipe) -> None:
    """A debugger, a virtual machine that is moved (`make soak` has two minutes of it). What was read before is told
    apart by its time."""
    with gateway(site, stderr=pipe.writing) as running:
        running.goes_on(*yard)
        running.process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, running.process.pid, os.WSTOPPED)
        stopped = datetime.now(UTC)
        asked = [each.asked for each in yard]
        # Longer than a request may take: every answer under way has become too late.
        with pytest.raises(subprocess.TimeoutExpired):
            running.process.wait(3.0)
        assert [each.asked for each in yard] == asked
        assert believed_after(running, stopped) == []
        running.process.send_signal(signal.SIGCONT)
        running.goes_on(*yard)
        running.ends_well()
    assert not [each for each in pipe.logged() if each["event"] == "gateway.loops_stuck"]


def test_after_a_kill_the_next_one_begins_at_once(site: Path, yard: list[Instruments]) -> None:
    """Nothing of the one that was killed stands in its way; a subscriber reads that it is gone, and that it is back."""

    def state(running: GatewayProcess) -> str:
        command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(running.broker), "-W", "5", "-C", "1"]
        topic = ["-t", "tanks/harbour/gateway/status"]
        done = subprocess.run([*command, *topic], capture_output=True, text=True, timeout=PATIENCE_S)
        return str(json.loads(done.stdout)["state"]) if done.stdout else ""

    for _ in range(2):
        with gateway(site) as running:
            running.goes_on(*yard)
            eventually(lambda: state(running) == "online", "it says that it is there")
            running.process.kill()
            assert running.process.wait() == -signal.SIGKILL
            assert believed_after(running, datetime.now(UTC)) == []
            eventually(lambda: state(running) == "offline", "its last will says that it is gone")
