"""`delivery: sparkplug:` of a site file: what becomes of each key, and what is warned of."""

from pathlib import Path

import pytest

import gateway.delivery.sparkplug.delivery as sparkplug
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


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            SHORT.replace("127.0.0.1:1883", "[127.0.0.1:1883, 192.0.2.7:1883]"),
            "sparkplug.address: 192.0.2.7 is another machine and everything goes there unencrypted; give tls",
        ),
        (
            SHORT.replace(", primary_host: control", ""),
            "sparkplug.primary_host: is not given, so that what a server takes counts as arrived whether a host reads "
            "it or not; give the id of the host that must have it",
        ),
    ],
)
def test_what_is_warned_of(text: str, said: str, tmp_path: Path) -> None:
    (warning,) = load(tmp_path, f"{HEAD}delivery: {{sparkplug: {text}}}\n").warnings
    assert warning.endswith(said)


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
