"""`delivery: sparkplug:` of a site file: what becomes of each key, and what is warned of."""

from pathlib import Path

import pytest

import gateway.delivery.sparkplug.plan as sparkplug
from gateway.delivery.plan import TlsPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from tests.commands.typed import typed
from tests.settings.yard import PARTS, load

HEAD = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, {PARTS}/tank.yaml]\n"
SHORT = "{address: 127.0.0.1:1883, group: plant, node: tanks, primary_host: control}"


def test_what_is_given_and_what_is_not(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x")
    (tmp_path / "secret").chmod(0o600)
    (tmp_path / "ca.pem").write_text("x")
    full = (
        "{name: office, address: [one.example:8883, two.example:8884], group: North Shore, node: quay-1, "
        "primary_host: control, protocol: 5, client_id: q1, user_name: g w, password_file: secret, tls: {ca: ca.pem}, "
        "keepalive: 3 s, timeout: 4 s, host_wait: 6 s, backoff_first: 1 s, backoff_longest: 2 min}"
    )
    found = load(tmp_path, f"{HEAD}delivery:\n  sparkplug: [{SHORT}, {full}]\n")
    assert found.warnings == ()
    assert found.deliveries == (
        SparkplugPlan((("127.0.0.1", 1883),), "plant", "tanks", "control"),
        SparkplugPlan(
            (("one.example", 8883), ("two.example", 8884)),
            "North Shore",
            "quay-1",
            "control",
            "5",
            "q1",
            "g w",
            tmp_path / "secret",
            TlsPlan(tmp_path / "ca.pem"),
            3,
            4.0,
            6.0,
            1.0,
            120.0,
            "office",
        ),
    )
    assert [plan.name for plan in found.deliveries] == ["sparkplug:plant/tanks", "office"]


def test_another_machine_without_tls_is_warned_of(tmp_path: Path) -> None:
    text = SHORT.replace("127.0.0.1:1883", "[127.0.0.1:1883, 192.0.2.7:1883]")
    (warning,) = load(tmp_path, f"{HEAD}delivery: {{sparkplug: {text}}}\n").warnings
    said = "sparkplug.address: 192.0.2.7 is another machine and everything goes there unencrypted; give tls"
    assert warning.endswith(said)


def test_tanks_that_differ_in_capitals_alone_are_warned_of(tmp_path: Path) -> None:
    tank = (PARTS / "tank.yaml").read_text()
    other = tank.splitlines(keepends=True)[1:]
    other = [line for line in other if "flow" not in line and "level:" not in line]
    entered = '    manual: {level: {value: 3 m, entered: "2026-11-25T06:00Z", expires: 24 h}}\n'
    (tmp_path / "tanks.yaml").write_text(tank + "".join(other).replace("  TK-1:", "  tk-1:") + entered)
    head = f"include_from: {PARTS}\ninclude: [{PARTS}/yard.yaml, tanks.yaml]\n"
    warnings = load(tmp_path, f"{head}delivery: {{sparkplug: {SHORT}}}\n").warnings
    said = "the tanks TK-1 and tk-1 differ in capitals alone, which some hosts do not tell apart"
    assert any(said in warning for warning in warnings)


def test_check_says_that_the_library_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(f"{HEAD}delivery: {{sparkplug: {SHORT}}}\n")
    assert "protobuf" not in typed(capsys, "check", str(site)).out
    monkeypatch.setattr(sparkplug, "find_spec", lambda _: None)
    said = typed(capsys, "check", str(site))
    assert said.code == 0
    assert (
        f"warning: {site}: delivery.sparkplug: protobuf is not installed, so that nothing goes to Sparkplug; "
        "pip install 'tank-gateway[sparkplug]'"
    ) in said.out.splitlines()
