"""Ways to instruments, from the site file to the plans of acquisition."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from gateway.acquisition.plan import FrameKind, LinePlan, Parity, SerialPath, TcpPath, TlsFiles
from gateway.settings import load_site

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
PARTS = Path(__file__).parent.parent / "invalid_site_files" / "parts"


def line(tmp_path: Path, text: str, instruments: str = "") -> LinePlan:
    """The plan of a line that is written so."""
    site = tmp_path / "site.yaml"
    head = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
    site.write_text(f"{head}lines:\n  south: {{{text}}}\n{instruments}")
    return next(plan for plan in load_site(site, now=NOW).lines if plan.name == "south")


def test_an_address_alone_is_modbus_tcp_with_one_request_under_way(tmp_path: Path) -> None:
    plan = line(tmp_path, "address: 192.0.2.11:502")
    assert plan.primary == TcpPath("192.0.2.11", 502)
    assert (plan.host, plan.port, plan.standby, plan.in_flight) == ("192.0.2.11", 502, None, 1)


def test_a_serial_port_is_rtu_with_even_parity_unless_told_otherwise(tmp_path: Path) -> None:
    plan = line(tmp_path, "serial: {port: /dev/ttyUSB0, baud: 19200}")
    assert plan.primary == SerialPath("/dev/ttyUSB0", 19_200, Parity.EVEN, 1, FrameKind.RTU, rs485=False)


@pytest.mark.outside("MODBUS over Serial Line V1.02, section 2.5.1: without parity two stop bits")
@pytest.mark.parametrize(
    ("keys", "parity", "stop_bits"),
    [
        ("parity: even", Parity.EVEN, 1),
        ("parity: odd", Parity.ODD, 1),
        ("parity: none", Parity.NONE, 2),
        ("parity: none, stop_bits: 1", Parity.NONE, 1),
        ("parity: even, stop_bits: 2", Parity.EVEN, 2),
    ],
)
def test_stop_bits_follow_from_parity(tmp_path: Path, keys: str, parity: Parity, stop_bits: int) -> None:
    plan = line(tmp_path, f"serial: {{port: /dev/ttyS0, baud: 9600, {keys}}}")
    assert plan.primary == SerialPath("/dev/ttyS0", 9600, parity, stop_bits)


def test_every_key_of_a_line(tmp_path: Path) -> None:
    text = (
        "serial: {port: /dev/ttyS0, baud: 9600, rs485: yes}, framing: ascii, fail_back: 1 min, connect_timeout: 5 s, "
    )
    text += "standby: {address: 192.0.2.12:4001, framing: rtu}, description: Pump house"
    plan = line(tmp_path, text)
    assert plan.primary == SerialPath("/dev/ttyS0", 9600, framing=FrameKind.ASCII, rs485=True)
    assert plan.standby == TcpPath("192.0.2.12", 4001, FrameKind.RTU)
    assert (plan.fail_back_s, plan.connect_timeout_s) == (60.0, 5.0)
    assert (str(plan.primary), str(plan.standby)) == ("/dev/ttyS0", "192.0.2.12:4001")


def test_certificates_are_sought_beside_the_file_that_names_them(tmp_path: Path) -> None:
    plan = line(tmp_path, "address: '[2001:db8::7]:802', tls: {ca: pki/ca.pem, certificate: g.pem, key: /etc/g.key}")
    files = TlsFiles(tmp_path / "pki/ca.pem", tmp_path / "g.pem", Path("/etc/g.key"))
    assert plan.primary == TcpPath("2001:db8::7", 802, tls=files)
    assert str(plan.primary) == "[2001:db8::7]:802"


def test_requests_under_way_and_pauses(tmp_path: Path) -> None:
    instruments = "instruments:\n  G-3: {line: south, unit: 3, map: gauge, period: 2 s, pause: 20 ms}\n"
    plan = line(tmp_path, "address: 192.0.2.11:502, in_flight: 8, connections: 3", instruments)
    assert (plan.in_flight, plan.connections) == (8, 3)
    assert [instrument.pause_s for instrument in plan.instruments] == [0.02]
