"""The tools over a serial port and over RTU inside TCP, against servers made by others."""

from pathlib import Path

import pytest
from pymodbus import FramerType

from tests.commands.panel import foreign_serial_server, foreign_server
from tests.commands.typed import typed

Capture = pytest.CaptureFixture[str]


@pytest.mark.outside("pymodbus")
def test_registers_and_scan_on_a_serial_port(capsys: Capture, tmp_path: Path) -> None:
    with foreign_serial_server([9412, 7], tmp_path) as port:
        way = ("--baud", "19200", "--timeout", "0.3 s")
        seen = typed(capsys, "registers", port, *way, "--count", "2", "--dip", "9.412 m", "--json")
        found = typed(capsys, "scan", port, *way, "--units", "1", "--every", "0.1 s", "--json")
    assert seen.code == 0
    assert (seen.document["address"], seen.document["reads"][0]["words"]) == (port, [9412, 7])
    assert seen.document["dip_match"]["matches"][0]["counts"] == "1 mm"
    assert [(one["unit"], one["outcome"]) for one in found.document["found"]] == [(1, "answers")]


@pytest.mark.outside("pymodbus")
@pytest.mark.parametrize("framing", [FramerType.RTU, FramerType.ASCII])
def test_registers_behind_a_converter(capsys: Capture, framing: FramerType) -> None:
    with foreign_server([9412], framing) as port:
        said = typed(capsys, "registers", f"127.0.0.1:{port}", "--framing", framing.value, "--count", "1", "--json")
    assert said.code == 0
    assert said.document["reads"][0]["words"] == [9412]


def test_a_wrong_framing_says_what_it_usually_means(capsys: Capture) -> None:
    with foreign_server([9412], asked_in=FramerType.RTU) as port:
        address = f"127.0.0.1:{port}"
        said = typed(capsys, "registers", address, "--framing", "rtu", "--count", "1", "--timeout", "0.2 s")
    assert said.code == 1
    assert said.err.startswith(f"tank-gateway: {address} unit 1: ")
    assert "  hint: usually: " in said.err


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("192.0.2.1:502", "--baud", "9600"), "--baud: 192.0.2.1:502 is no serial port of this machine"),
        (("demo", "LT-101", "--framing", "rtu"), "--framing: the site file says it"),
        (("/dev/null", "--framing", "tcp"), "--framing: tcp does not go over a serial port"),
        (("/dev/null", "--baud", "7"), "--baud: 7 is no usual rate"),
    ],
)
def test_wrong_use(capsys: Capture, words: tuple[str, ...], expected: str) -> None:
    said = typed(capsys, "registers", *words)
    assert (said.code, said.out) == (2, "")
    assert said.err.splitlines()[0] == f"tank-gateway: {expected}"


def test_identification_goes_over_modbus_tcp_only(capsys: Capture) -> None:
    said = typed(capsys, "scan", "192.0.2.1:502", "--framing", "rtu", "--identify")
    assert said.err == (
        "tank-gateway: --identify: identification is asked for over plain Modbus TCP only\n  hint: leave it away\n"
    )
