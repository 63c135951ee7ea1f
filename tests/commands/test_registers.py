"""`registers` on real sockets: simulated instruments, a server made by others, and nobody at all."""

import json
import socket
import socketserver
import struct
import threading
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import orjson
import pytest

from gateway.commands.technician import line_guard
from gateway.commands.technician.register_page import Words, changed_addresses, page_lines
from gateway.modbus.tables import Table
from gateway.process.running import Running
from tests.commands.panel import Panel, foreign_server
from tests.commands.typed import typed
from tests.support.wire import WireRecorder

Capture = pytest.CaptureFixture[str]


def test_every_decoding_of_a_word_swapped_float(capsys: Capture, panel: Panel) -> None:
    said = typed(capsys, "registers", panel.addresses["yard-1"], "--address", "100", "--count", "2")
    assert (said.code, said.err) == (0, "")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    # 8.236 m in float32 is 0x4103C6A8 (IEEE 754); the worksheet says that XT-204 sends the words swapped.
    assert "holding registers 100 to 101" in lines
    assert "100 C6A8 50856 -14680 43206 -22330 1100 0110 1010 1000" in lines
    assert "101 4103 16643 16643 833 833 0100 0001 0000 0011" in lines
    (float_row,) = (row for head, row in pairwise(lines) if head.startswith("float32 "))
    assert float_row == "100 -21536.51 8.236 -2.198383e-14 (unlikely) 5.691134e-37 (unlikely)"
    assert "101: 16.643 mA if it counts uA" in lines


def test_an_instrument_of_a_site_by_its_own_map(capsys: Capture, panel: Panel) -> None:
    said = typed(capsys, "registers", panel.site_file, "LT-101")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert said.code == 0
    assert "ullage holding registers 0 uint32 ABCD 5.828 m Good" in lines
    assert "fault discrete inputs 0 bool 0 Good" in lines
    assert "0 0000 0 0 0 0 0000 0000 0000 0000" in lines
    assert "1 E3A8 58280 -7256 43235 -22301 1110 0011 1010 1000" in lines


def test_json_holds_words_decodings_and_signals(capsys: Capture, panel: Panel) -> None:
    said = typed(capsys, "registers", panel.site_file, "LT-101", "--json")
    assert said.code == 0
    bits, words = said.document["reads"]
    assert (bits["table"], bits["words"]) == ("discrete_inputs", [0])
    assert (words["table"], words["address"], words["words"], words["hex"]) == (
        "holding_registers",
        0,
        [0, 58280],
        ["0000", "E3A8"],
    )
    assert {"address": 0, "type": "uint32", "order": "ABCD", "value": 58280, "doubt": None} in words["decodings"]
    assert said.document["signals"][0] == {
        "signal": "ullage",
        "raw": [0, 58280],
        "value": 5.828,
        "unit": "m",
        "quality": "Good",
        "reason": None,
    }


def test_a_dip_finds_the_byte_order(capsys: Capture, panel: Panel) -> None:
    where = (panel.addresses["yard-1"], "--address", "100", "--count", "20")
    said = typed(capsys, "registers", *where, "--dip", "8.236 m")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert said.code == 0
    assert "dip 8.2360 m, tolerance 4 mm: one way to read these words fits" in lines
    assert "holding register 100 float32 CDAB 1 m innage 8.2360 +0.0 strong" in lines
    assert "Not proved yet: one dip can be met by chance." in lines
    assert "innage: {table: holding_registers, address: 100, type: float32, order: CDAB, unit: m}" in lines
    assert any(line.startswith("Do not dip without a permit to work.") for line in lines)


def test_two_ways_fit_until_a_second_dip_at_another_level_decides(
    capsys: Capture, tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    # Register 0 counts millimetres of innage, register 1 millimetres of ullage; the reference height is twice the dip.
    options = ("--count", "2", "--reference-height", "10 m", "--json")
    with foreign_server([5000, 5001]) as port:
        address = f"127.0.0.1:{wire_recorder(port).port}"
        first = typed(capsys, "registers", address, *options, "--dip", "5.000 m")
    assert first.code == 0
    found = {(match["address"], match["measures"]) for match in first.document["dip_match"]["matches"]}
    assert found == {(0, "innage"), (0, "ullage"), (1, "innage"), (1, "ullage")}
    assert first.document["dip_match"]["proved"] is False
    kept = tmp_path / "first.json"
    with foreign_server([6000, 4001]) as port:
        address = f"127.0.0.1:{wire_recorder(port).port}"
        kept.write_text(first.out, "utf-8")
        other = typed(capsys, "registers", address, *options, "--dip", "6.000 m", "--earlier", str(kept))
        assert other.code == 2
        assert f"is of {first.document['address']} unit 1, and {address} unit 1 is asked now" in other.err
        # The same device, on the port that its stand-in has now.
        kept.write_bytes(orjson.dumps({**first.document, "address": address}))
        second = typed(capsys, "registers", address, *options, "--dip", "6.000 m", "--earlier", str(kept))
        again = typed(capsys, "registers", address, "--count", "1", "--dip", "6.000 m", "--earlier", str(kept))
    assert [(m["address"], m["measures"]) for m in second.document["dip_match"]["matches"]] == [
        (0, "innage"),
        (1, "ullage"),
    ]
    assert "Proved: the same one fits two dips at different levels." in again.out


def test_a_level_that_did_not_move_proves_nothing(
    capsys: Capture, tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    with foreign_server([5000]) as port:
        words = ("registers", f"127.0.0.1:{wire_recorder(port).port}", "--count", "1", "--dip", "5.000 m")
        first = typed(capsys, *words, "--json")
        kept = tmp_path / "first.json"
        kept.write_text(first.out, "utf-8")
        said = typed(capsys, *words, "--earlier", str(kept))
    assert (
        "Not proved: the level has moved only 0 mm since the earlier dip, with tolerances of 8 mm together, which"
        in said.out
    )


def test_a_register_that_never_moves_is_not_proved_by_a_wide_tolerance(
    capsys: Capture, tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    """5.9 m for ever fits a dip of 5.0 m within 1 m, and one of 5.9 m within 4 mm: 0.9 m apart, 1.004 m of doubt."""
    with foreign_server([5900]) as port:
        words = ("registers", f"127.0.0.1:{wire_recorder(port).port}", "--count", "1")
        kept = tmp_path / "first.json"
        kept.write_text(typed(capsys, *words, "--dip", "5.000 m", "--tolerance", "1 m", "--json").out, "utf-8")
        said = typed(capsys, *words, "--dip", "5.900 m", "--earlier", str(kept), "--json")
    assert said.document["dip_match"]["proved"] is False


def test_copies_of_one_value_are_one_match(
    capsys: Capture, tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    """Millimetres in 32 bits whose high word is always 0, and again in a register of their own: one level, proved."""
    kept = tmp_path / "first.json"
    with foreign_server([0, 5000, 77, 5000]) as port:
        words = ("--dip", "5.000 m", "--count", "4", "--json")
        first = typed(capsys, "registers", f"127.0.0.1:{wire_recorder(port).port}", *words)
    with foreign_server([0, 6000, 77, 6000]) as port:
        address = f"127.0.0.1:{wire_recorder(port).port}"
        kept.write_bytes(orjson.dumps({**first.document, "address": address}))
        said = typed(capsys, "registers", address, "--dip", "6.000 m", "--count", "4", "--earlier", str(kept))
    assert "Proved: these are copies of one value" in said.out
    assert "By chance one dip of 4 mm fits something in a third of devices" in said.out


def test_a_dip_of_an_empty_tank_is_bounded_and_says_what_to_do(
    capsys: Capture, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    with foreign_server([0] * 125) as port:
        said = typed(capsys, "registers", f"127.0.0.1:{wire_recorder(port).port}", "--dip", "2 mm", "--count", "125")
    lines = said.out.splitlines()
    assert len(lines) < 200
    assert any(line.startswith("... and ") and line.endswith("more, which --json gives.") for line in lines)
    assert "So near to zero every register that holds nothing fits: dip when there is more in the tank." in lines


def test_nothing_fits(capsys: Capture, panel: Panel) -> None:
    said = typed(capsys, "registers", panel.site_file, "LT-101", "--dip", "3.333 m")
    assert said.code == 1
    assert "dip 3.3330 m, tolerance 4 mm: nothing fits" in said.out
    assert (
        "Tried as counts of 0.1 mm, 1 mm, 1 cm, 1 m, 1/16 in, 1/8 in, 1 in, 0.01 ft, 1 ft, in every type and order."
        in (said.out)
    )
    assert "Ullage was not tried: give --reference-height." in said.out


def test_a_current_loop_fits_by_its_span(capsys: Capture, panel: Panel) -> None:
    words = ("registers", panel.site_file, "IO-BO5", "--dip", "3.055 m", "--span", "0 m", "8 m", "--json")
    said = typed(capsys, *words)
    # 10,110 uA of 4-20 mA = 0-8 m: 8 * 6.11 / 16 = 3.055 m.
    assert {
        "table": "input_registers",
        "address": 0,
        "type": "uint16",
        "counts": "1 uA",
        "measures": "innage",
    }.items() <= (said.document["dip_match"]["matches"][0].items())


def test_watch_marks_what_changes(capsys: Capture, wire_recorder: Callable[[int], WireRecorder]) -> None:
    with foreign_server([1, 2, 3]) as port:
        address = f"127.0.0.1:{wire_recorder(port).port}"
        said = typed(
            capsys, "registers", address, "--count", "3", "--watch", "--every", "0.1 s", "--times", "3", "--json"
        )
    assert said.code == 0
    rounds = [json.loads(line) for line in said.out.splitlines()]
    assert [made["reads"][0]["words"] for made in rounds] == [[1, 2, 3]] * 3


class _Counting(socketserver.BaseRequestHandler):
    """A device whose two registers count its requests: the first by one, the second not at all."""

    def handle(self) -> None:
        count = 0
        while head := self.request.recv(12, socket.MSG_WAITALL):
            count += 1
            self.request.sendall(head[:4] + struct.pack(">HBBBHH", 7, head[6], 3, 4, 0xA0 + count, 5))


def test_watch_tells_changes_where_there_is_no_terminal(capsys: Capture) -> None:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Counting) as server:
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}).start()
        address = f"127.0.0.1:{server.server_address[1]}"
        said = typed(capsys, "registers", address, "--count", "2", "--watch", "--every", "0.1 s", "--times", "3")
        server.shutdown()
    assert said.code == 0
    changes = said.out.splitlines()[said.out.splitlines().index("changes:") + 1 :]
    assert [change.split(" UTC ")[1] for change in changes] == [
        "holding registers 0: 00A1 (161) -> 00A2 (162)",
        "holding registers 0: 00A2 (162) -> 00A3 (163)",
    ]


def test_watch_goes_on_when_a_device_fails(capsys: Capture, panel: Panel) -> None:
    address = panel.addresses["bus-a"]
    words = ("--unit", "9", "--timeout", "0.05 s", "--watch", "--every", "0.1 s", "--times", "2")
    said = typed(capsys, "registers", address, *words)
    assert said.code == 1
    assert [line.split(" UTC ")[1].split(";")[0] for line in said.out.splitlines()] == [
        f"{address} unit 9: no answer within 0.05 s"
    ] * 2


def test_what_has_changed_is_marked() -> None:
    before = Words(Table.HOLDING_REGISTERS, 0, (0x4116, 0x978D, 7))
    now = Words(Table.HOLDING_REGISTERS, 0, (0x4116, 0x978E, 7))
    changed = changed_addresses(now, before)
    assert changed == {1}
    lines = page_lines(now, changed)
    rows = [line.split()[0] for line in lines if line.split() and line.split()[0].lstrip("*").isdecimal()]
    # The single words, then each value that rests on the changed one.
    assert rows[:3] == ["0", "*1", "2"]
    (float_row,) = (line for line in lines if line.split()[1:2] == ["9.412001"])
    assert float_row.split()[0] == "*0"


def test_exceptions_and_silence_say_what_they_usually_mean(capsys: Capture, panel: Panel) -> None:
    # The simulated XT-C7 forbids input registers 1 to 9; no instrument of the line is unit 9.
    address = panel.addresses["yard-1"]
    said = typed(capsys, "registers", address, "--unit", "5", "--table", "input_registers", "--count", "4")
    assert said.code == 1
    assert said.err == (
        f"tank-gateway: {address} unit 5: device answered exception 2 (illegal data address)\n"
        "  hint: usually: the device is there but one of the addresses does not exist; ask for fewer, and remember "
        "that a manual's 40001 is holding register 0\n"
    )
    said = typed(capsys, "registers", address, "--unit", "9", "--timeout", "100 ms")
    assert said.code == 1
    assert said.err == (
        f"tank-gateway: {address} unit 9: no answer within 0.1 s\n"
        "  hint: usually: nobody has this unit number, or it is switched off, or baud rate, parity or the two wires "
        "are wrong; try `tank-gateway scan`\n"
    )


def test_the_gateway_that_holds_the_line_is_named_and_asked_whatever_address_was_looked_at(
    capsys: Capture, panel: Panel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It said `at 127.0.0.1:9109`, where none was, and would have taken the words of whoever answers there."""
    with panel.gateway():
        address, gateway = panel.addresses["bus-a"], f"127.0.0.1:{panel.web_port}"
        holder = Running("demo", 1, gateway, {"bus-a": (address,)})
        monkeypatch.setattr(line_guard, "running_gateways", lambda: [holder])
        bare = typed(capsys, "registers", address, "--gateway", "127.0.0.1:1")
        lent = typed(capsys, "registers", panel.site_file, "LT-101", "--gateway", "127.0.0.1:1")
    assert f"{address} is polled by the gateway of site demo at {gateway}; " in bare.err
    assert (lent.code, f"newest words of the gateway at {gateway}" in lent.out) == (0, True)


def test_the_gateway_of_another_site_lends_no_words(capsys: Capture, panel: Panel) -> None:
    """It polls the same line, and what it calls LT-101 may be any instrument there: none of it is shown or recorded."""
    other = Path(panel.site_file).with_name("other.yaml")
    text = Path(panel.site_file).read_text("utf-8")
    assert "name: demo" in text
    other.write_text(text.replace("name: demo", "name: other", 1), "utf-8")
    record = ("--tape", "T", "--by", "A", "--witness", "B", "--tolerance", "fine", "--folder", str(other.parent))
    dips = [word for _ in range(3) for word in ("--dip", "9.412 m")]
    with panel.gateway():
        gateway = f"127.0.0.1:{panel.web_port}"
        for words in (("registers", str(other), "LT-101"), ("dip-check", str(other), "TK-101", *dips, *record)):
            said = typed(capsys, *words, "--gateway", gateway)
            assert said.code == 1
            assert "is polled by the gateway of site demo at" in said.err
            assert "LT-101 alone" not in said.err


def test_a_line_that_a_running_gateway_holds_is_left_alone(capsys: Capture, panel: Panel) -> None:
    with panel.gateway():
        address = panel.addresses["bus-a"]
        held = typed(capsys, "registers", panel.site_file, "LT-101", "--count", "2")
        lent = typed(capsys, "registers", panel.site_file, "XT-204", "--dip", "8.236 m", "--json")
        mine = typed(capsys, "registers", panel.site_file, "LT-101", "--line-is-mine")
        gateway = f"127.0.0.1:{panel.web_port}"
        bare = typed(capsys, "registers", address, "--gateway", gateway)
    assert (held.code, held.out) == (1, "")
    assert held.err == (
        f"tank-gateway: {address} is polled by the gateway of site demo at {gateway}; "
        "a second master on a line spoils the answers of both\n"
        "  hint: for the newest words of that gateway give LT-101 alone; or stop that gateway first, or add "
        "--line-is-mine if you know that the line bears a second master\n"
    )
    assert bare.err == held.err.replace("for the newest words of that gateway give LT-101 alone; or ", "")
    assert mine.code == 0
    # What the gateway has read already is shown without asking the instrument again.
    assert lent.code == 0
    assert lent.document["took_s"] is None
    assert [(read["address"], len(read["words"])) for read in lent.document["reads"]] == [(100, 5), (110, 10)]
    assert lent.document["reads"][0]["hex"][:2] == ["C6A8", "4103"]
    assert lent.document["dip_match"]["matches"][0]["order"] == "CDAB"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (
            ("nowhere",),
            "'nowhere' is no HOST:PORT, and no INSTRUMENT of a site was given\n"
            "  hint: HOST:PORT, or SITE INSTRUMENT, for example 192.0.2.10:502 or nowhere LT-101",
        ),
        (
            ("demo", "LT-9"),
            "site 'demo' has no instrument 'LT-9'\n  hint: its instruments: LT-101, TT-101, WT-101, LT-3, TT-3, "
            "XT-204, XT-B2, XT-C7, XT-P12, IO-BO5, XT-A1, LT-F1, TT-F1, LT-D1A, LT-D1B, TT-D1",
        ),
        (
            ("192.0.2.1:502", "LT-101"),
            "'LT-101': an instrument is known by its tag in a site file only\n"
            "  hint: leave it away, or give SITE in place of HOST:PORT",
        ),
        (
            ("192.0.2.1:502", "--unit", "256"),
            "--unit: 256 is not a Modbus unit identifier\n  hint: give 0 to 255",
        ),
        (
            ("192.0.2.1:502", "--count", "126"),
            "--count: 126 addresses cannot be read in one request\n  hint: give 1 to 125",
        ),
        (
            ("192.0.2.1:502", "--address", "65530"),
            "--address: 65530 with --count 10 is not within 0 to 65535\n"
            "  hint: addresses count from zero: a manual's 40001 is holding register 0",
        ),
        (
            ("192.0.2.1:502", "--span", "0 m", "8 m"),
            "--span was given without --dip\n  hint: give both, or neither",
        ),
        (
            ("192.0.2.1:502", "--dip", "9.4"),
            "--dip: '9.4' has no unit; a length is wanted, for example 9.4 m",
        ),
        (
            ("192.0.2.1:502", "--watch", "--every", "1 ms"),
            "--every: 1 ms is too fast for a device\n  hint: give 0.1 s or more",
        ),
        (
            ("192.0.2.1:502", "--dip", "9.4 m", "--earlier", "gone.json"),
            "--earlier: gone.json: cannot be read: no such file or directory",
        ),
    ],
)
def test_wrong_use_is_one_line_and_a_hint(capsys: Capture, words: tuple[str, ...], expected: str) -> None:
    said = typed(capsys, "registers", *words)
    assert (said.code, said.out) == (2, "")
    assert said.err == f"tank-gateway: {expected}\n"


@pytest.mark.parametrize(
    ("ports", "hint"),
    [
        ([], "there is none: look whether the adapter is plugged in"),
        (["/dev/ttyUSB1", "/dev/ttyS0"], "there are /dev/ttyS0, /dev/ttyUSB1"),
    ],
)
def test_a_serial_port_that_is_not_there_is_told_with_those_that_are(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, ports: list[str], hint: str
) -> None:
    monkeypatch.setattr(
        "gateway.commands.technician.device.comports", lambda: [SimpleNamespace(device=port) for port in ports]
    )
    for command in ("registers", "scan"):
        said = typed(capsys, command, "/dev/ttyNone7")
        assert (said.code, said.out) == (2, "")
        assert said.err == f"tank-gateway: there is no serial port /dev/ttyNone7 on this machine\n  hint: {hint}\n"


def test_what_a_serial_port_that_cannot_be_opened_usually_means(capsys: Capture) -> None:
    said = typed(capsys, "registers", "/dev/null")
    assert said.code == 1
    assert said.err.endswith("another program holds it, or this user may not open it (group dialout)\n")


def test_eight_bytes_are_shown_in_full(capsys: Capture, wire_recorder: Callable[[int], WireRecorder]) -> None:
    words = list(struct.unpack(">4H", struct.pack(">d", 68.2)))
    with foreign_server(words) as port:
        said = typed(capsys, "registers", f"127.0.0.1:{wire_recorder(port).port}", "--count", "4")
    (row,) = (line.split() for line in said.out.splitlines() if "68.2" in line)
    assert row[:2] == ["0", "68.2"]


def test_addresses_that_must_never_be_read_are_not(capsys: Capture, panel: Panel) -> None:
    # The register map of XT-C7 forbids input registers 1 to 9.
    words = ("registers", panel.site_file, "XT-C7", "--table", "input_registers", "--count", "4")
    said = typed(capsys, *words)
    assert said.code == 2
    assert said.err == (
        "tank-gateway: input registers 1 to 9 of XT-C7 must never be read, as its register map says\n"
        "  hint: ask for others\n"
    )
