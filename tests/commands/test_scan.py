"""`scan`: who answers, at what rate, and whom it leaves alone."""

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gateway.commands.technician import line_guard
from gateway.commands.technician.scan import ranges_text, units_of
from tests.commands.panel import Panel
from tests.commands.typed import typed
from tests.support.wire import WireRecorder

Capture = pytest.CaptureFixture[str]


def test_who_answers_and_who_does_not(capsys: Capture, panel: Panel) -> None:
    said = typed(
        capsys, "scan", panel.site_file, "bus-a", "--units", "1-4,12", "--every", "0.1 s", "--timeout", "0.1 s"
    )
    assert (said.code, said.err) == (0, "")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert lines[0] == f"{panel.addresses['bus-a']}: asking 5 units, 1 s at the longest"
    assert [line.split(" ms ")[1] for line in lines if line.startswith("unit ")] == [
        f"holding register 0 is 0000 LT-101 in {panel.site_file}",
        f"device answered exception 2 (illegal data address) TT-101 in {panel.site_file}",
        f"device answered exception 2 (illegal data address) WT-101 in {panel.site_file}",
        f"device answered exception 2 (illegal data address) TT-3 in {panel.site_file}",
    ]
    assert lines[-2:] == ["no answer from 4", "4 of 5 units asked are there"]


def test_json(capsys: Capture, panel: Panel) -> None:
    said = typed(
        capsys,
        *("scan", panel.addresses["bus-a"], "--units", "1,4", "--every", "0.1 s", "--timeout", "0.1 s", "--json"),
    )
    (found,) = said.document["found"]
    assert (found["unit"], found["outcome"], found["text"]) == (1, "answers", "holding register 0 is 0000")
    assert said.document["silent"] == [4]
    assert said.document["not_asked"] == []


def test_nobody_is_there(capsys: Capture, panel: Panel) -> None:
    said = typed(capsys, "scan", panel.addresses["bus-a"], "--units", "4-5", "--every", "0.1 s", "--timeout", "0.1 s")
    assert said.code == 1
    assert said.out.splitlines()[1:] == ["no answer from 4-5", "0 of 2 units asked are there"]


class _Device:
    """A Modbus TCP device that answers at once, by hand, keeps the times of asking, and knows its identification."""

    def __init__(self) -> None:
        self.asked: list[tuple[float, int, int]] = []
        """(when, unit, function)"""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._accept)
        self._thread.start()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection:
                self._serve(connection)

    def _serve(self, connection: socket.socket) -> None:
        while head := connection.recv(7, socket.MSG_WAITALL):
            transaction, _, length, unit = struct.unpack(">HHHB", head)
            pdu = connection.recv(length - 1, socket.MSG_WAITALL)
            self.asked.append((time.monotonic(), unit, pdu[0]))
            answer = self._answer(unit, pdu)
            connection.sendall(struct.pack(">HHHB", transaction, 0, len(answer) + 1, unit) + answer)

    def _answer(self, unit: int, pdu: bytes) -> bytes:
        if unit == 3:
            return bytes([pdu[0] | 0x80, 11])
        if pdu[0] == 3:
            return bytes([3, 2, 0, unit])
        if unit == 2:
            return bytes([0xAB, 1])
        # In two parts, as the specification allows (MODBUS Application Protocol V1.1b3, section 6.21).
        if pdu[3] == 0:
            return bytes([0x2B, 0x0E, 1, 1, 0xFF, 1, 1, 0, 5]) + b"Acorn"
        return bytes([0x2B, 0x0E, 1, 1, 0, 0, 1, 1, 4]) + b"LT-7"


@contextmanager
def _device() -> Iterator[_Device]:
    device = _Device()
    try:
        yield device
    finally:
        device.close()


def test_identification_when_asked_and_a_converter_that_answers_for_nobody(
    capsys: Capture, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    with _device() as device:
        recorder = wire_recorder(device.port)
        address = f"127.0.0.1:{recorder.port}"
        said = typed(capsys, "scan", address, "--units", "1-3", "--every", "0.1 s", "--identify", "--json")
        recorder.close()
    assert [(one["unit"], one["identity"]) for one in said.document["found"]] == [
        (1, {"vendor": "Acorn", "product code": "LT-7"}),
        (2, None),
    ]
    # Exceptions 10 and 11 come from the converter, for a unit that is not there (V1.1b3, section 7).
    assert said.document["silent"] == [3]
    assert [(unit, function) for _, unit, function in device.asked] == [
        (1, 3),
        (2, 3),
        (3, 3),
        (1, 43),
        (1, 43),
        (2, 43),
    ]


def test_requests_never_come_faster_than_asked_for(
    capsys: Capture, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    with _device() as device:
        typed(capsys, "scan", f"127.0.0.1:{device.port}", "--units", "1,2,4,5", "--every", "0.1 s")
    times = [at for at, _, _ in device.asked]
    # The device notes the time on a thread of its own: a request noted late makes the next gap shorter than it was.
    assert times[-1] - times[0] >= 0.25


def test_a_line_that_a_running_gateway_holds_is_refused_unless_told(capsys: Capture, panel: Panel) -> None:
    quick = ("--units", "1", "--every", "0.1 s")
    with panel.gateway():
        refused = typed(capsys, "scan", panel.site_file, "bus-a", *quick)
        told = typed(capsys, "scan", panel.site_file, "bus-a", *quick, "--line-is-mine")
        other = typed(capsys, "scan", panel.site_file, "bus-a", *quick, "--gateway", "127.0.0.1:1")
    assert refused.code == 1
    assert refused.out == ""
    assert refused.err.startswith(f"tank-gateway: {panel.addresses['bus-a']} is polled by the gateway of site demo at ")
    assert told.code == 0
    # Where the named web address has no gateway, none is known to hold the line.
    assert other.code == 0


def test_a_gateway_that_does_not_say_counts_as_one_that_holds(
    capsys: Capture, panel: Panel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line_guard, "_TIMEOUT_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        gateway = f"127.0.0.1:{mute.getsockname()[1]}"
        said = typed(capsys, "scan", panel.addresses["bus-a"], "--units", "1", "--gateway", gateway)
    assert said.code == 1
    assert said.err.splitlines()[0] == (
        "tank-gateway: whether a gateway holds the line cannot be told: "
        f"no gateway at {gateway}: no answer within 0.2 s"
    )


def test_nothing_listens(capsys: Capture) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        said = typed(capsys, "scan", address, "--units", "1-3")
    assert said.code == 1
    assert said.err == (
        f"tank-gateway: {address}: the connection was refused\n"
        "  hint: usually: the address or port is wrong, the device is off, a firewall is between, or all its "
        "connections are taken\n"
    )


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("192.0.2.1:502", "--units", "0-256"), "--units: '0-256' is not within 0 to 255, lowest first"),
        (("192.0.2.1:502", "--units", "9-3"), "--units: '9-3' is not within 0 to 255, lowest first"),
        (("192.0.2.1:502", "--units", "all"), "--units: 'all' is not a unit number or a range"),
        (("192.0.2.1:502", "--every", "10 ms"), "--every: 10 ms is too fast for a scan"),
        (("192.0.2.1:502", "bus-a"), "'bus-a': a line is known by its name in a site file only"),
        (("demo",), "'demo' is no HOST:PORT, and no LINE of a site was given"),
        (("demo", "bus-z"), "site 'demo' has no line 'bus-z'"),
    ],
)
def test_wrong_use(capsys: Capture, words: tuple[str, ...], expected: str) -> None:
    said = typed(capsys, "scan", *words)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines()[0] == f"tank-gateway: {expected}"


def test_unit_numbers_as_text_and_back() -> None:
    assert units_of("1,2,7-9,8") == [1, 2, 7, 8, 9]
    assert ranges_text([9, 1, 2, 7, 8]) == "1-2, 7-9"


def test_a_unit_whose_map_forbids_the_question_is_left_alone(capsys: Capture, panel: Panel) -> None:
    site = Path(panel.site_file)
    text = site.read_text("utf-8")
    old = "LT-101: {line: bus-a, unit: 1, map: level_by_ullage_uint32, period: 100 ms}"
    assert old in text
    new = """LT-101:
    line: bus-a
    unit: 1
    period: 1 s
    signals:
      ullage: {table: holding_registers, address: 2, type: uint32, scale: 0.1, unit: mm}
    forbidden: [{table: holding_registers, first: 0, last: 0}]"""
    site.write_text(text.replace(old, new), "utf-8")
    said = typed(capsys, "scan", str(site), "bus-a", "--units", "1-2", "--every", "0.1 s", "--json")
    assert said.document["asked"] == [2]
    assert said.err == (
        "unit 1 is left alone: holding register 0 of LT-101 must never be read, as its register map says\n"
    )
