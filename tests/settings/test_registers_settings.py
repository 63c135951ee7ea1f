"""`delivery: registers:` of a site file: what becomes of each key, and what is warned of."""

from ipaddress import ip_network
from pathlib import Path

import pytest

from gateway.commands.service import check
from gateway.delivery.registers import delivery
from gateway.delivery.registers.plan import RegistersPlan
from tests.commands.typed import typed
from tests.settings.yard import PARTS, load

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"


def test_what_is_given_and_what_is_not(tmp_path: Path) -> None:
    full = (
        '{name: room, address: "127.0.0.1:5503", blocks: {TK-1: no}, order: CDAB, '
        'allow: [192.0.2.7, "2001:db8::/32"], connections: 2, idle: 5 s}'
    )
    found = load(tmp_path, f"{HEAD}delivery:\n  registers: [{{blocks: {{TK-1: 203}}}}, {full}]\n")
    assert found.warnings == ()
    networks = (ip_network("192.0.2.7/32"), ip_network("2001:db8::/32"))
    assert found.deliveries == (
        RegistersPlan("127.0.0.1", 5502, (("TK-1", 203),)),
        RegistersPlan("127.0.0.1", 5503, (), "CDAB", networks, 2, 5.0, given_name="room"),
    )
    assert [plan.name for plan in found.deliveries] == ["registers:127.0.0.1:5502", "room"]


@pytest.mark.parametrize(
    ("given", "warned"),
    [
        ('{address: "127.0.0.1:502", blocks: {TK-1: 1}}', "port 502 is below 1024, which takes a right"),
        ('{address: "0.0.0.0:5502", blocks: {TK-1: 1}}', "0.0.0.0 is reached by other machines, and Modbus knows no"),
        ('{address: "0.0.0.0:5502", allow: 192.0.2.0/24, blocks: {TK-1: 1}}', ""),
        ("{blocks: {TK-1: 1, TK-9: 2}}", "there is no such tank; its block is kept for it"),
    ],
)
def test_what_is_warned_of(tmp_path: Path, given: str, warned: str) -> None:
    found = load(tmp_path, f"{HEAD}delivery:\n  registers: {given}\n")
    assert len(found.warnings) == (1 if warned else 0)
    assert all(warned in each for each in found.warnings)


def test_check_says_what_is_not_installed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(f"{HEAD}delivery:\n  registers: {{blocks: {{TK-1: 1}}}}\n")
    assert "registers" not in typed(capsys, "check", str(site)).out
    monkeypatch.setattr(check, "no_registers", lambda: delivery.MISSING_PART)
    said = typed(capsys, "check", str(site))
    assert said.code == 0
    assert (
        "delivery.registers: needs pymodbus, which is not installed: pip install 'tank-gateway[registers]'; until then "
        "127.0.0.1:5502 is not served"
    ) in said.out
