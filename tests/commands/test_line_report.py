"""`line-report` from a running gateway and by polling, with instruments that are silent, slow or doubled."""

import socket
from pathlib import Path

import pytest

from tests.commands.panel import Panel
from tests.commands.typed import Said, typed

Capture = pytest.CaptureFixture[str]


def _findings(said: Said, line: str) -> dict[str, str]:
    (made,) = (each for each in said.document["lines"] if each["line"] == line)
    return {finding["subject"]: finding["what"] for finding in made["findings"]}


def test_a_healthy_site_by_its_running_gateway(capsys: Capture, panel: Panel) -> None:
    with panel.gateway():
        said = typed(capsys, "line-report", panel.site_file, "--line", "yard-2", "--for", "1 s")
    assert said.err == ""
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert lines[0].startswith(f"site demo: the gateway at 127.0.0.1:{panel.web_port}, ")
    assert lines[0].endswith(", SIMULATED")
    assert lines[2].startswith("line yard-2: connected, busy ")
    assert lines[4] == "instrument requests answers half of them 95 % slowest errors share of busy time"
    assert {line.split()[0] for line in lines[5:8]} == {"XT-P12", "IO-BO5", "XT-A1"}


def test_all_that_a_gateway_has_counted_since_its_start(capsys: Capture, panel: Panel) -> None:
    with panel.gateway():
        address = f"127.0.0.1:{panel.web_port}"
        said = typed(capsys, "line-report", "--address", address, "--since-start", "--json")
    assert said.document["site"] == "demo"
    assert {line["line"] for line in said.document["lines"]} == {"bus-a", "power", "yard-1", "yard-2"}
    counts = {one["instrument"]: one for line in said.document["lines"] for one in line["instruments"]}
    assert counts["LT-101"]["requests"] >= counts["LT-101"]["answers"] > 0
    assert counts["LT-101"]["answers_within"][-1] == {"seconds": None, "answers": counts["LT-101"]["answers"]}


def test_polling_finds_the_dead_and_the_doubled(capsys: Capture, panel: Panel) -> None:
    panel.fault("TT-3", "silence")
    panel.fault("LT-3", "duplicate_address")
    said = typed(capsys, "line-report", panel.site_file, "--line", "bus-a", "--for", "3 s", "--json")
    assert said.document["source"] == "3 s of polling by this tool"
    found = _findings(said, "bus-a")
    assert found["TT-3"].startswith(("is dead: no answer to any of ", "did not answer the one time it was asked"))
    # The simulated second device sends eight tenths of every value: 5.120 m and 4.096 m take turns.
    assert found["LT-3"].startswith("innage jumps to and fro between 4.096 m and 5.12 m (")
    assert said.code == 1


def test_nothing_is_sent_where_no_gateway_runs_at_the_address(capsys: Capture) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        said = typed(capsys, "line-report", "--address", address)
    assert (said.code, said.out) == (1, "")
    assert said.err.splitlines()[0] == f"tank-gateway: no gateway at {address}: connection refused"


def test_without_a_site_the_gateway_of_this_machine_is_asked(capsys: Capture) -> None:
    said = typed(capsys, "line-report")
    assert (said.code, said.out) == (1, "")
    assert said.err.startswith("tank-gateway: no gateway at 127.0.0.1:1: connection refused\n")


def test_wrong_use(capsys: Capture, panel: Panel) -> None:
    with panel.gateway():
        said = typed(capsys, "line-report", panel.site_file, "--line", "bus-z", "--since-start")
    assert said.code == 2
    assert said.err.startswith("tank-gateway: site 'demo' has no line 'bus-z'\n  hint: its lines: ")


def test_a_gateway_of_another_version_gets_no_second_master_beside_it(
    capsys: Capture, panel: Panel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after an upgrade until the gateway is restarted: it polls, and knows nothing of what is asked."""
    monkeypatch.setattr("gateway.commands.technician.line_counts.LINES_SCHEMA", "tank-gateway/lines/2")
    with panel.gateway():
        said = typed(capsys, "line-report", panel.site_file, "--for", "1 s")
    assert (said.code, said.out) == (1, "")
    told, hint = said.err.splitlines()
    assert told.endswith("polls these lines, and does not tell how they do")
    assert hint == "  hint: stop that gateway first, or ask it by the tank-gateway that it was started with"


def test_the_gateway_of_another_site_tells_nothing_of_this_one(
    capsys: Capture, panel: Panel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A site without HTTP, and the gateway of another where one usually answers: its lines were told as this site's."""
    other = tmp_path / "other.yaml"
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        text = _OTHER_SITE.replace("PORT", str(taken.getsockname()[1]))
        other.write_text(text, "utf-8")
        with panel.gateway():
            address = f"127.0.0.1:{panel.web_port}"
            monkeypatch.setattr("gateway.commands.technician.line_guard.DEFAULT_ADDRESS", address)
            polled = typed(capsys, "line-report", str(other), "--for", "1 s", "--json")
            refused = typed(capsys, "line-report", str(other), "--address", address)
    assert (polled.document["site"], polled.document["source"]) == ("elsewhere", "1 s of polling by this tool")
    assert [line["line"] for line in polled.document["lines"]] == ["field"]
    assert refused.code == 2
    assert refused.err.startswith(f"tank-gateway: the gateway at {address} watches site 'demo', not 'elsewhere'\n")


_OTHER_SITE = """
site: {name: elsewhere, time_zone: UTC}
lines: {field: {address: 127.0.0.1:PORT}}
instruments: {LT-1: {line: field, unit: 1, map: level_by_ullage_uint32, period: 2 s}}
products:
  diesel: {method: api_11_1_2004, group: refined, reference_temperature: 15 degC, reference_density: 838 kg/m3}
tanks:
  TK-1: {product: diesel, shape: {kind: upright_cylinder, diameter: 18 m, height: 14.6 m}, reference_height: 15.24 m,
    free_water: none, level: {instrument: LT-1, signal: ullage, measures: ullage}}
"""
