"""The descriptors 0 to 2 of a process, and what a journal is told with each line."""

import io
import json
import logging
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import pytest
import structlog

from gateway.process.bounded_writer import BoundedWriter
from gateway.process.logs import set_up_logs
from gateway.process.standard_streams import UnblockedStream, is_journal, prioritised

_ROOT = Path(__file__).parents[2]
_PATIENCE_S = 30.0


class Catching:
    """A stream over a pipe, in the place of standard error."""

    def __init__(self, *, priority: int | None = None) -> None:
        self._reading, writing = os.pipe()
        self.stream = io.open(writing, "w", encoding="utf-8")  # noqa: UP020, SIM115
        self.unblocked = UnblockedStream(self.stream, BoundedWriter(writing), priority=priority)

    def take(self, monkeypatch: pytest.MonkeyPatch) -> Self:
        """From here on: pytest puts its own in this place between a fixture and its test."""
        monkeypatch.setattr(sys, "stderr", self.unblocked)
        return self

    def lines(self) -> list[str]:
        assert self.unblocked.drain(_PATIENCE_S)
        return os.read(self._reading, 65536).decode().splitlines()

    def close(self) -> None:
        self.stream.close()
        os.close(self._reading)


@pytest.fixture
def caught() -> Iterator[Catching]:
    catching = Catching()
    yield catching
    catching.close()


@pytest.fixture
def journal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Catching]:
    """As `caught`, and systemd says that this is its journal."""
    catching = Catching(priority=3)
    status = os.fstat(catching.stream.fileno())
    monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino}")
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    yield catching
    root.handlers[:], root.level = handlers, level
    catching.close()


def run_with_closed(script: str, *closed: int) -> subprocess.CompletedProcess[bytes]:
    """Python as a shell starts it that was told `2>&-`."""
    redirections = " ".join(f"{descriptor}{'<' if descriptor == 0 else '>'}&-" for descriptor in closed)
    return subprocess.run(
        ["/bin/sh", "-c", f'exec "$0" -c "$1" {redirections}', sys.executable, script],
        cwd=_ROOT,
        capture_output=True,
        timeout=_PATIENCE_S,
    )


@pytest.mark.parametrize("closed", [(0,), (1,), (2,), (0, 1, 2)])
def test_a_socket_never_gets_the_number_of_a_closed_descriptor(closed: tuple[int, ...], tmp_path: Path) -> None:
    found = tmp_path / "found"
    script = f"""
import os, socket, sys
from gateway.process.standard_streams import open_standard_descriptors
open_standard_descriptors()
one = socket.socket()
sys.stdout.write("out"); sys.stdout.flush()
sys.stderr.write("err"); sys.stderr.flush()
assert sys.stdin.read() == ""
open({str(found)!r}, "w").write(f"{{one.fileno()}} " + " ".join(os.readlink(f"/proc/self/fd/{{n}}") for n in range(3)))
"""
    done = run_with_closed(script, *closed)
    assert done.returncode == 0, done.stderr
    number, *places = found.read_text().split()
    assert int(number) > 2
    assert [places[descriptor] for descriptor in closed] == ["/dev/null"] * len(closed)
    assert done.stdout == (b"" if 1 in closed else b"out")
    assert done.stderr == (b"" if 2 in closed else b"err")


def test_a_command_with_everything_closed_says_the_same_by_its_exit_code() -> None:
    well = "import sys; from gateway.command_line import main; sys.exit(main(['check', 'demo']))"
    assert run_with_closed(well, 0, 1, 2).returncode == 0
    assert run_with_closed(well.replace("'demo'", "'no-such-file'"), 0, 1, 2).returncode == 2


@pytest.mark.parametrize("words", [("check", "demo"), ("schema", "site")])
def test_output_onto_a_full_disk_ends_in_a_sentence(words: tuple[str, ...]) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "gateway", *words],
            cwd=_ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            timeout=_PATIENCE_S,
        )
    assert done.returncode == 1
    said = b"tank-gateway: the output cannot be written: no space left on device\n  hint: is its disk full?\n"
    assert done.stderr == said


def test_a_complaint_onto_a_full_disk_keeps_its_exit_code() -> None:
    with open("/dev/full", "wb") as full:
        command = [sys.executable, "-m", "gateway", "check", "no-such-file"]
        assert subprocess.run(command, cwd=_ROOT, stderr=full, timeout=_PATIENCE_S).returncode == 2


def test_what_is_logged_is_written_a_line_at_a_time(caught: Catching) -> None:
    caught.unblocked.write("half a ")
    caught.unblocked.write("line\nand a half")
    assert caught.lines() == ["half a line", "and a half"]


def test_without_a_journal_no_line_bears_a_priority(caught: Catching, monkeypatch: pytest.MonkeyPatch) -> None:
    caught.take(monkeypatch)
    set_up_logs("json")
    structlog.get_logger().warning("something")
    (line,) = caught.lines()
    assert json.loads(line)["event"] == "something"


@pytest.mark.parametrize("log_format", ["json", "text"])
def test_a_journal_gets_each_line_with_its_priority(
    journal: Catching, log_format: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """6 informational, 4 warning, 3 error, 2 critical: sd-daemon(3), syslog(3)."""
    journal.take(monkeypatch)
    set_up_logs(log_format)
    log = structlog.get_logger()
    log.info("an info")
    log.warning("a warning")
    log.error("an error")
    log.critical("a critical")
    logging.getLogger("a.library").warning("by a library")
    logging.getLogger("a.library").error("an error of a library")
    lines = journal.lines()
    assert [(line[:3], text in line) for line, text in zip(lines, LOGGED, strict=True)] == [
        (f"<{priority}>", True) for priority in (6, 4, 3, 2, 4, 3)
    ]
    if log_format == "json":
        assert [json.loads(line[3:])["level"] for line in lines] == [
            "info", "warning", "error", "critical", "warning", "error",
        ]  # fmt: skip


LOGGED = ["an info", "a warning", "an error", "a critical", "by a library", "an error of a library"]


@pytest.mark.parametrize("log_format", ["json", "text"])
def test_every_line_of_a_traceback_has_the_priority_of_its_error(
    journal: Catching, log_format: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal.take(monkeypatch)
    set_up_logs(log_format)
    try:
        raise RuntimeError("broken")
    except RuntimeError as exc:
        structlog.get_logger().error("gateway.task_failed", exc_info=exc)
    lines = journal.lines()
    assert len(lines) == 1 if log_format == "json" else len(lines) > 3
    assert {line[:3] for line in lines} == {"<3>"}
    assert sum("broken" in line for line in lines) >= 1


def test_what_is_said_beside_the_log_is_an_error_in_the_journal(
    journal: Catching, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such as the mistakes of a site file, or a traceback by the interpreter itself."""
    journal.take(monkeypatch)
    sys.stderr.write("Traceback:\n  somewhere\n")
    sys.stderr.flush()
    assert journal.lines() == ["<3>Traceback:", "<3>  somewhere"]


def test_what_was_dropped_is_told_as_the_log_tells_everything(
    journal: Catching, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal.take(monkeypatch)
    counted = set_up_logs("json", simulated=True)
    journal.unblocked.writer._drop()
    structlog.get_logger().info("on it goes")
    first, told = journal.lines()
    assert "on it goes" in first
    assert told.startswith("<4>")
    assert json.loads(told[3:])["event"] == "log.lines_dropped"
    assert json.loads(told[3:])["lines"] == 1
    assert json.loads(told[3:])["simulated"] == "SIMULATED"
    assert counted() == 1


def test_another_file_than_the_journal_is_told_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with (tmp_path / "log").open("w") as log:
        status = os.fstat(log.fileno())
        for told, expected in (
            (f"{status.st_dev}:{status.st_ino}", True),
            (f"{status.st_dev}:{status.st_ino + 1}", False),
            ("", False),
            ("nonsense", False),
        ):
            monkeypatch.setenv("JOURNAL_STREAM", told)
            assert is_journal(log) is expected
    assert not is_journal(io.StringIO())


def test_a_priority_that_is_there_stays() -> None:
    assert prioritised("<6>one\ntwo\n\n", 3) == "<6>one\n<3>two\n<3>\n"


def test_an_end_that_hangs_is_an_end_all_the_same() -> None:
    """A thread of the pool that nothing can end, as one that asks a dead name server: without the last resort asyncio
    waits for it for five minutes."""
    script = """
import asyncio, sys, threading
from gateway.process.signals import stop_on_signals
async def main():
    stop = asyncio.Event()
    stop_on_signals(stop, within_s=0.5)
    asyncio.get_running_loop().run_in_executor(None, threading.Event().wait)
    print("ready", flush=True)
    await stop.wait()
asyncio.run(main())
"""
    process = subprocess.Popen([sys.executable, "-c", script], cwd=_ROOT, stdout=subprocess.PIPE)
    assert process.stdout is not None
    with process.stdout:
        assert process.stdout.readline() == b"ready\n"
        process.send_signal(signal.SIGTERM)
        assert process.wait(_PATIENCE_S) == 1
