"""The demo as a newcomer meets it: one command, real sockets, outside programs, and a clean end whatever happens."""

import asyncio
import contextlib
import fcntl
import importlib.util
import os
import pty
import re
import shlex
import signal
import socket
import struct
import sys
import termios
import time
import urllib.request
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import psutil
import pytest
from asyncua import Client as OpcuaClient

from gateway.commands.demonstration.site import load_demo
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.registers.plan import RegistersPlan
from tests.commands.typed import typed
from tests.support.mqtt_subscriber import Subscriber

_ROOT = Path(__file__).parents[2]
_TANKS = {"TK-101", "TK-204", "J-3", "B-2", "C-7", "P-12", "BO-5", "A-1", "F-1", "D-1"}
_LINE_S = 30.0
_END_S = 15.0

pytestmark = pytest.mark.timeout(120)


class _Demo:
    """A demo in a process of its own, its output a pipe."""

    def __init__(self, process: asyncio.subprocess.Process, complaints: Path) -> None:
        self.process = process
        self.lines: list[str] = []
        self._complaints = complaints

    async def until(self, wanted: str) -> re.Match[str]:
        """Read on until a line matches."""
        assert self.process.stdout is not None
        async with asyncio.timeout(_LINE_S):
            while line := await self.process.stdout.readline():
                self.lines.append(line.decode().rstrip("\n"))
                found = re.search(wanted, self.lines[-1])
                if found is not None:
                    return found
        raise AssertionError(f"the demo ended before a line like {wanted!r}: {self.lines} {self.complaints}")

    async def end(self) -> int:
        assert self.process.stdout is not None
        async with asyncio.timeout(_END_S):
            self.lines += (await self.process.stdout.read()).decode().splitlines()
            return await self.process.wait()

    def found(self, wanted: str) -> str:
        """The first group of the first line so far that matches."""
        return next(found.group(1) for line in self.lines if (found := re.search(wanted, line)) is not None)

    def children(self) -> list[psutil.Process]:
        return psutil.Process(self.process.pid).children(recursive=True)

    @property
    def complaints(self) -> str:
        return self._complaints.read_text(encoding="utf-8")


@asynccontextmanager
async def _demo(folder: Path, *options: str) -> AsyncIterator[_Demo]:
    complaints = folder / "stderr.txt"
    with complaints.open("wb") as stderr:
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "gateway", "demo", *options),
            stdout=asyncio.subprocess.PIPE,
            stderr=stderr,
            cwd=_ROOT,
        )
    try:
        yield _Demo(process, complaints)
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def _all_gone(processes: list[psutil.Process]) -> None:
    assert processes
    _, alive = await asyncio.to_thread(psutil.wait_procs, processes, timeout=_END_S)
    assert alive == []


def _get(url: str) -> str:
    with urllib.request.urlopen(url, timeout=_END_S) as answer:
        text: str = answer.read().decode()
        return text


async def _registers_are_read_by_the_line_that_is_printed(lines: list[str]) -> None:
    """TK-101 stands at 9.412 m: tank 1 of the worked examples."""
    (line,) = (line for line in lines if line.startswith("  mbpoll "))
    command = shlex.split(line.partition("    (")[0])
    process = await asyncio.create_subprocess_exec(*command, stdout=asyncio.subprocess.PIPE)
    out, _ = await process.communicate()
    assert process.returncode == 0
    (shown,) = re.findall(r"^\[\d+\]:\s+(\S+)", out.decode(), re.MULTILINE)
    assert float(shown) == pytest.approx(9.412, abs=0.05)


async def _opc_ua_is_read_at_the_address_that_is_printed(lines: list[str]) -> None:
    (line,) = (line for line in lines if line.startswith("  any OPC UA client at "))
    found = re.match(r"  any OPC UA client at (\S+): node (\S+)", line)
    assert found is not None
    async with asyncio.timeout(_END_S), await _opc_ua_client(found[1]) as client:
        level = client.get_node(found[2])
        while not (told := await level.read_data_value(raise_on_bad_status=False)).StatusCode.is_good():  # noqa: ASYNC110
            await asyncio.sleep(0.2)
        assert told.Value.Value == pytest.approx(9.412, abs=0.05)
        assert await client.get_node("ns=2;s=TK-101/simulated").read_value() is True
        # And what the ledger has of it by now.
        while not (kept := await level.read_raw_history(None, datetime.now(UTC), numvalues=1)):  # noqa: ASYNC110
            await asyncio.sleep(0.5)
        assert kept[0].Value.Value == pytest.approx(9.412, abs=0.05)


async def _opc_ua_client(address: str) -> OpcuaClient:
    """Once its process listens."""
    while True:
        try:
            async with OpcuaClient(address):
                return OpcuaClient(address)
        except ConnectionRefusedError:
            await asyncio.sleep(0.2)


async def test_ten_tanks_reach_an_outside_subscriber_and_the_metrics(tmp_path: Path) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Total of all products")
        children = demo.children()
        port = int(demo.found(r"mqtt://127\.0\.0\.1:(\d+)"))
        async with Subscriber(port) as subscriber:
            seen: set[str] = set()
            while seen < _TANKS:
                message = await subscriber.next(lambda message: message.topic.endswith("/inventory"))
                content = message.content
                assert content["notice"] == "SIMULATED"
                seen.add(content["identity"]["tank"])
        assert seen == _TANKS

        metrics = await asyncio.to_thread(_get, demo.found(r"(http://127\.0\.0\.1:\d+/metrics)"))
        assert {*re.findall(r'^tank_level_metres\{.*tank="([^"]+)"', metrics, re.MULTILINE)} == _TANKS
        rows = {line.split()[0] for line in demo.lines if line.endswith(" s") and "SIMULATED" in line}
        assert rows == _TANKS
        assert sum("  instruments  modbus://127.0.0.1:" in line for line in demo.lines) == 4
        await _registers_are_read_by_the_line_that_is_printed(demo.lines)
        await _opc_ua_is_read_at_the_address_that_is_printed(demo.lines)

        demo.process.send_signal(signal.SIGTERM)
        assert await demo.end() == 0
        await _all_gone(children)
    assert demo.lines[-1] == "Stopped."
    assert "Traceback" not in demo.complaints
    assert '"simulated": "SIMULATED"' in demo.complaints


async def test_its_time_passes_as_fast_as_it_is_asked_to(tmp_path: Path) -> None:
    """TK-101 gives 60 m3/h, 1 m3 a minute. Tables come five seconds apart, five minutes of the site at sixty times its
    pace; by two clocks of unlike pace every level would be stale or from the future."""
    async with _demo(tmp_path, "--time-factor", "60") as demo:
        seen = [await _drawn_from(demo)]
        # On a busy machine the instruments or the gateway fall seconds behind, which are minutes here: over more
        # tables that wears off, and a wrong pace does not.
        while not _is_a_cubic_metre_a_minute(seen[0], seen[-1]):
            assert len(seen) < 8, seen
            seen.append(await _drawn_from(demo))
        demo.process.send_signal(signal.SIGTERM)
        assert await demo.end() == 0


def _is_a_cubic_metre_a_minute(first: tuple[datetime, float], last: tuple[datetime, float]) -> bool:
    minutes = (last[0] - first[0]).total_seconds() / 60.0
    return minutes > 4.0 and first[1] - last[1] == pytest.approx(minutes, rel=0.5)


async def _drawn_from(demo: _Demo) -> tuple[datetime, float]:
    """Date of the next table, and the TOV of TK-101 in it."""
    date = await demo.until(r"^(\S+ \S+) UTC, its time passes 60 times as fast SIMULATED$")
    row = await demo.until(r"^TK-101 +diesel +\S+ +\S+ +([\d,]+(?:\.\d+)?)[? ]")
    return datetime.fromisoformat(f"{date[1]}+00:00"), float(row[1].replace(",", ""))


async def test_what_is_to_be_pasted_works_as_pasted(tmp_path: Path) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Total of all products")
        for wanted, answer in (
            (r"^  (.* dip demo .*)$", "Result: Good SIMULATED"),
            (r"^  (.* show --address .*)$", "Total of all products"),
            (r"^  (mosquitto_sub .*?)    \(", "tank-gateway/inventory/1"),
        ):
            pasted = demo.found(wanted)
            run = await asyncio.create_subprocess_shell(f"exec {pasted}", stdout=asyncio.subprocess.PIPE, cwd=_ROOT)
            assert run.stdout is not None
            if pasted.startswith("mosquitto_sub"):
                # It goes on for ever: an inventory is among what lies there.
                async with asyncio.timeout(_LINE_S):
                    while answer not in (line := (await run.stdout.readline()).decode()):
                        assert line, pasted
                run.terminate()
                await run.communicate()
            else:
                out, _ = await run.communicate()
                assert run.returncode == 0, pasted
                assert answer in out.decode()


async def test_ctrl_c_ends_it_cleanly(tmp_path: Path) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Total of all products")
        children = demo.children()
        demo.process.send_signal(signal.SIGINT)
        assert await demo.end() == 0
        await _all_gone(children)
    assert "Traceback" not in demo.complaints


def _both_children(demo: _Demo) -> list[psutil.Process]:
    """Wait for the simulator and the broker to exist; they take longer than this to be ready."""
    while len(children := demo.children()) < 2:
        time.sleep(0.005)
    return children


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_it_can_be_stopped_while_it_starts(tmp_path: Path, number: signal.Signals) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Starting")
        children = await asyncio.to_thread(_both_children, demo)
        demo.process.send_signal(number)
        assert await demo.end() == 0
        await _all_gone(children)
    assert "Traceback" not in demo.complaints
    assert demo.lines[-1] == "Stopped."


async def test_when_it_is_killed_nothing_of_it_stays(tmp_path: Path) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Ctrl-C")
        children = demo.children()
        assert len(children) == 2
        demo.process.kill()
        await demo.process.wait()
        await _all_gone(children)


async def test_when_a_part_of_it_dies_it_says_so_and_ends(tmp_path: Path) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Total of all products")
        children = demo.children()
        (broker,) = (child for child in children if "gateway.commands.demonstration.broker" in child.cmdline())
        broker.kill()
        assert await demo.end() == 1
        await _all_gone(children)
    assert "tank-gateway: the broker ended with code -9: it said nothing\n" in demo.complaints
    assert "Traceback" not in demo.complaints


@pytest.fixture
def wished_ports_taken() -> Iterator[set[int]]:
    """Every port of the demo site in use, by this test or by a demo of another."""
    site = load_demo()
    (mqtt,) = site.brokers
    assert site.http is not None
    (registers,) = (plan for plan in site.deliveries if isinstance(plan, RegistersPlan))
    (opcua,) = (plan for plan in site.deliveries if isinstance(plan, OpcuaPlan))
    ports = {mqtt.port, site.http.port, registers.port, opcua.port, *(line.port for line in site.lines)}
    with contextlib.ExitStack() as held:
        for port in ports:
            holder = held.enter_context(socket.socket())
            holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            with contextlib.suppress(OSError):
                holder.bind(("127.0.0.1", port))
                holder.listen()
        yield ports


async def test_taken_ports_are_replaced_and_said(tmp_path: Path, wished_ports_taken: set[int]) -> None:
    async with _demo(tmp_path) as demo:
        await demo.until("^Total of all products")
        pattern = r"^  Port (\d+) \(.+\) is taken; (\d+) is used instead\.$"
        said = {int(found[1]): int(found[2]) for line in demo.lines if (found := re.match(pattern, line))}
        assert set(said) == wished_ports_taken
        assert not set(said.values()) & wished_ports_taken
        addresses = "\n".join(line for line in demo.lines if "://" in line)
        assert all(f"127.0.0.1:{used}" in addresses for used in said.values())
        assert not any(f"127.0.0.1:{wanted}" in addresses for wanted in wished_ports_taken)
        rows = {line.split()[0] for line in demo.lines if " Good SIMULATED " in line}
        assert rows == _TANKS - {"A-1"}


@contextlib.contextmanager
def _terminal(columns: int) -> Iterator[tuple[int, int]]:
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    try:
        yield ours, theirs
    finally:
        os.close(ours)
        os.close(theirs)


def _own_terminal() -> None:
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


async def test_on_a_terminal_the_table_is_live_and_ctrl_c_is_typed() -> None:
    with _terminal(120) as (ours, theirs):
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "gateway",
            "demo",
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=_ROOT,
            # The size is that of the terminal: pytest's workers set COLUMNS, which would go before it.
            env={name: value for name, value in os.environ.items() if name != "COLUMNS"} | {"TERM": "xterm-256color"},
            start_new_session=True,
            preexec_fn=_own_terminal,
        )
        shown = bytearray()
        more = asyncio.Event()

        def read() -> None:
            shown.extend(os.read(ours, 65536))
            more.set()

        def text() -> str:
            return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.decode(errors="ignore"))

        async def until(count: int, wanted: str) -> None:
            while text().count(wanted) < count:
                more.clear()
                await more.wait()

        asyncio.get_running_loop().add_reader(ours, read)
        try:
            async with asyncio.timeout(_LINE_S):
                # A second picture is drawn over the first: cursor up, erase line.
                await until(2, "Total of all products")
                # On a busy machine the first pictures come before every tank has been read.
                await until(1, "Uncertain manual SIMULATED")
            os.write(ours, b"\x03")
            async with asyncio.timeout(_END_S):
                assert await process.wait() == 0
                await until(1, "Stopped.")
        finally:
            asyncio.get_running_loop().remove_reader(ours)
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    assert "Traceback" not in text()
    assert "…" not in text()
    assert all(f"\n{tank} " in text() for tank in _TANKS)
    assert "\x1b[1A" in shown.decode(), "a picture is drawn over the one before"
    assert "\x1b[?25h" in shown.decode(), "the cursor is shown again"


def test_without_a_broker_to_embed_it_says_how_to_get_one(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    said = typed(capsys, "demo")
    assert said.code == 1
    assert said.err == (
        "tank-gateway: the demo needs amqtt, an MQTT broker in Python, which is not installed\n"
        "  hint: pip install 'tank-gateway[demo]', or `make demo` in a clone\n"
    )


def test_the_page_and_how_to_act_on_it_are_told() -> None:
    from gateway.commands.demonstration.words import introduction

    lines = introduction(load_demo(), [], 4711, code="4T309-ZBNVV")
    at = next(number for number, line in enumerate(lines) if line.startswith("  page "))
    assert lines[at].endswith("http://127.0.0.1:9109/")
    assert "as administrator by the code 4T309-ZBNVV (once, within the hour)" in lines[at + 1]
    assert not [line for line in introduction(load_demo(), [], 4711) if "by the code" in line]


def test_every_word_of_a_pasted_command_is_quoted() -> None:
    from gateway.commands.demonstration.words import introduction

    lines = [line for line in introduction(load_demo(), [], 4711) if " dip demo " in line]
    (line,) = lines
    assert "9.412 m" in shlex.split(line)
