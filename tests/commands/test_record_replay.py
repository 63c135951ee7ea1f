"""Traffic recorded on a real socket and played back: the tool, a foreign client and a client that would write."""

import resource
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException

from gateway.commissioning.capture import Direction, parse_capture
from tests.commands.panel import Panel
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]


@contextmanager
def _tool(*words: str) -> Iterator[tuple[str, "subprocess.Popen[str]"]]:
    """A command in a process of its own; gives the line with which it begins. Ended by SIGTERM, as by Ctrl-C."""
    with subprocess.Popen(
        [sys.executable, "-m", "gateway", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline(), process
        finally:
            process.terminate()
            process.wait(10)


def _port(line: str) -> int:
    return int(line.split("127.0.0.1:")[1].split()[0])


def test_what_was_recorded_is_played_back_without_the_device(capsys: Capture, panel: Panel, tmp_path: Path) -> None:
    file = tmp_path / "bus-a.jsonl"
    address = panel.addresses["bus-a"]
    with _tool("record", address, "--file", str(file)) as (first, recorder):
        assert first == f"lead the client to 127.0.0.1:{_port(first)} instead of {address}; Ctrl-C ends\n"
        words = ("registers", f"127.0.0.1:{_port(first)}", "--count", "2", "--json")
        direct = typed(capsys, *words)
        silent = typed(capsys, *words, "--unit", "9", "--timeout", "0.1 s")
        recorder.terminate()
        assert recorder.stdout is not None
        last = recorder.stdout.readline()
        assert recorder.wait(10) == 0
    assert direct.code == 0
    assert silent.code == 1
    assert last == f"2 requests, 1 answers, 0 refused as no reads, in {file}\n"
    with _tool("replay", str(file)) as (line, player):
        assert line == f"REPLAYED, not measured: 127.0.0.1:{_port(line)} answers 2 requests, of units 1, 9\n"
        assert player.stdout is not None
        asked = [player.stdout.readline() for _ in range(2)]
        assert asked == [f"  unit {unit}: holding registers 0 to 1\n" for unit in (1, 9)]
        words = ("registers", f"127.0.0.1:{_port(line)}", "--count", "2", "--json")
        again = [typed(capsys, *words) for _ in range(2)]
        silence = typed(capsys, *words, "--unit", "9", "--timeout", "0.1 s")
        unknown = typed(capsys, *words, "--address", "5")
        with ModbusTcpClient("127.0.0.1", port=_port(line), retries=0) as foreign:
            read = foreign.read_holding_registers(0, count=2, device_id=1)
            written = foreign.write_register(0, 1, device_id=1)
    assert [said.document["reads"] for said in again] == [direct.document["reads"]] * 2
    assert "no answer within 0.1 s" in silence.err
    assert "exception 2" in unknown.err
    assert read.registers == direct.document["reads"][0]["words"]
    assert (written.function_code, written.exception_code) == (0x86, 1)


def test_a_client_that_would_write_is_refused_and_the_device_never_hears_of_it(panel: Panel, tmp_path: Path) -> None:
    file = tmp_path / "bus-a.jsonl"
    # The wire recorder between this tool and the device fails the test for any byte that is no read.
    with _tool("record", panel.addresses["bus-a"], "--file", str(file)) as (first, _):
        with ModbusTcpClient("127.0.0.1", port=_port(first), retries=0) as foreign:
            read = foreign.read_holding_registers(0, count=2, device_id=1)
            written = foreign.write_registers(0, [1, 2], device_id=1)
        assert read.registers == [0, 58280]
        assert (written.function_code, written.exception_code) == (0x90, 1)
        with socket.create_connection(("127.0.0.1", _port(first)), timeout=10) as stranger:
            stranger.sendall(b"GET / HTTP/1.1\r\n\r\n")
            assert stranger.recv(100) == b""
    frames = parse_capture(file.read_text("utf-8").splitlines(keepends=True), "x")
    kinds = [frame.direction for frame in frames]
    assert kinds == [Direction.REQUEST, Direction.ANSWER, Direction.REFUSED, Direction.REFUSED]
    assert frames[3].data == b"GET / HTTP/1.1\r\n\r\n"


def test_recording_for_a_time_without_a_device(capsys: Capture, tmp_path: Path) -> None:
    said = typed(capsys, "record", "127.0.0.1:1", "--file", str(tmp_path / "x"), "--for", "0.1 s")
    assert said.code == 0
    assert said.out.splitlines()[1] == f"0 requests, 0 answers, 0 refused as no reads, in {tmp_path / 'x'}"


def test_a_device_that_cannot_be_reached_is_told(tmp_path: Path) -> None:
    with _tool("record", "127.0.0.1:1", "--file", str(tmp_path / "x")) as (first, process):
        with socket.create_connection(("127.0.0.1", _port(first)), timeout=10) as client:
            assert client.recv(1) == b""
        process.terminate()
        _, err = process.communicate(timeout=10)
    assert err.startswith("tank-gateway: the device at 127.0.0.1:1 could not be reached: ")
    assert process.returncode == 1


def test_a_full_disk_ends_the_recording_and_nothing_passes_unkept(panel: Panel, tmp_path: Path) -> None:
    """The head of the file is 100 bytes or so, a request and its answer 230: there is room for the first of two."""
    file = tmp_path / "bus-a.jsonl"
    with _tool("record", panel.addresses["bus-a"], "--file", str(file)) as (first, process):
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (file.stat().st_size + 300, resource.RLIM_INFINITY))
        with ModbusTcpClient("127.0.0.1", port=_port(first), retries=0) as foreign:
            read = foreign.read_holding_registers(0, count=2, device_id=1)
            with pytest.raises(ModbusException):
                foreign.read_holding_registers(0, count=2, device_id=1)
        out, err = process.communicate(timeout=20)
    assert read.registers == [0, 58280]
    assert process.returncode == 1
    assert out == f"1 requests, 1 answers, 0 refused as no reads, in {file}\n"
    assert err.startswith(f"tank-gateway: {file} cannot be written: file too large\n  hint: ")
    # The line that was cut off is left out.
    assert len(parse_capture(file.read_text("utf-8").splitlines(keepends=True), "x")) == 2


def test_a_device_that_breaks_off_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as device:
        address = f"127.0.0.1:{device.getsockname()[1]}"
        with _tool("record", address, "--file", str(tmp_path / "x")) as (first, process):
            for ending in (b"", b"\0\1\0"):
                with socket.create_connection(("127.0.0.1", _port(first)), timeout=10) as client:
                    accepted, _ = device.accept()
                    with accepted:
                        accepted.sendall(ending)
                        client.sendall(bytes.fromhex("000100000006010300000001"))
                        assert accepted.recv(12, socket.MSG_WAITALL)
                        if not ending:
                            # Closed so it is reset, not ended.
                            accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    with suppress(ConnectionError):
                        assert client.recv(1) == ending[:1]
                        client.recv(10)
            process.terminate()
            _, err = process.communicate(timeout=20)
    assert err == (
        "tank-gateway: the connection to the device was lost: connection reset by peer\n"
        "tank-gateway: a frame of the device was never complete\n"
    )


def test_wrong_use(capsys: Capture, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.write_text("x", "utf-8")
    said = typed(capsys, "record", "192.0.2.1:502", "--file", str(there))
    assert said.err == f"tank-gateway: --file: {there} exists already\n  hint: give another name\n"
    said = typed(capsys, "record", "nowhere", "--file", "x")
    assert said.err == "tank-gateway: ADDRESS: 'nowhere' is no HOST:PORT\n  hint: write for example 192.0.2.10:502\n"
    said = typed(capsys, "replay", str(there))
    assert (said.code, said.err) == (
        2,
        f"tank-gateway: {there}:1: is not a capture of this version; the first line names tank-gateway/capture/1\n",
    )
    said = typed(capsys, "replay", str(tmp_path / "gone"))
    assert said.err == (
        f"tank-gateway: {tmp_path / 'gone'}: cannot be read: no such file or directory\n"
        "  hint: record one with `tank-gateway record`\n"
    )


def test_an_address_that_is_taken(capsys: Capture, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        listen = f"127.0.0.1:{taken.getsockname()[1]}"
        said = typed(capsys, "record", "192.0.2.1:502", "--file", str(tmp_path / "x"), "--listen", listen)
    assert said.code == 1
    assert said.err.startswith(f"tank-gateway: cannot listen on {listen}: ")
    assert "address already in use" in said.err
