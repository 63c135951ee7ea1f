"""Somebody says that a tank holds another product: to a real gateway with its ledger, which is killed."""

import json
import signal
import socket
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.processes.gateway_process import GatewayProcess, Instruments, eventually, gateway
from tests.processes.test_acting import Place
from tests.support.messages import valid_message

PRODUCTS = """  gasoline: {method: expansion_coefficient, expansion: 0.001221 /degC, reference_temperature: 15 degC,
    density_window: {lowest: 720 kg/m3, highest: 775 kg/m3}}
tanks:
"""
DENSITY = ("--density", "742 kg/m3", "--expires", "31 d")


@pytest.fixture
def first() -> Iterator[Instruments]:
    with Instruments(5000) as instruments:
        yield instruments


@pytest.fixture
def place(tmp_path: Path, first: Instruments) -> Place:
    """With a second product, and a thermometer's place taken by hand."""
    place = Place(tmp_path, [first])
    text = place.site.read_text("utf-8").replace("tanks:\n", PRODUCTS)
    today = f"{datetime.now(UTC) - timedelta(hours=1):%Y-%m-%dT%H:%MZ}"
    manual = f"free_water: none, manual: {{temperature: {{value: 15 degC, entered: {today}, expires: 31 d}}}}"
    place.site.write_text(text.replace("free_water: none", manual), "utf-8")
    return place


def sheet(running: GatewayProcess) -> tuple[str, float | None, float]:
    """Product, mass in t and volume in m3."""
    (tank,) = running.inventories()
    figures: dict[str, Any] = tank["figures"]
    mass = figures["mass"]["value"]
    return tank["product"], None if mass is None else mass / 1000.0, figures["tov"]["value"]


def holds(running: GatewayProcess, product: str, density: float) -> bool:
    """Mass is volume at 15 degC by the density there."""
    held, mass, volume = sheet(running)
    return held == product and mass == pytest.approx(volume * density / 1000.0, rel=1e-9)


def shown(place: Place, running: GatewayProcess) -> str:
    done = place.typed("show", "--address", f"127.0.0.1:{running.port}")
    assert done.returncode == 0, done
    return done.stdout


def checked(place: Place) -> str:
    return place.typed("check", str(place.site)).stdout


def changed(place: Place) -> None:
    """As the command does it."""
    density = {"density": "742 kg/m3", "expires": "31 d"}
    request = {"action": "product-change", "tank": "TK-0", "product": "gasoline", **density}
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(60)
        client.connect(str(place.door))
        client.sendall(json.dumps(request).encode() + b"\n")
        answer = json.loads(client.makefile().readline())
    assert answer["code"] == 0, answer


def test_a_change_of_product_holds_at_once_and_after_a_kill(place: Place, first: Instruments) -> None:
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        assert holds(running, "diesel", 838.0)
        (before,) = running.inventories()
        refused = place.enter("product-change", "TK-0", "gasoline")
        assert refused.returncode == 2
        assert "tanks.TK-0.density: is missing; product gasoline gives no reference_density" in refused.stderr
        assert "hint: give one with the change: --density and --expires" in refused.stderr
        assert holds(running, "diesel", 838.0)
        lines = place.entered("product-change", "TK-0", "gasoline", *DENSITY, "--why", "cleaned and refilled")
        assert lines[0].startswith("TK-0: product: gasoline since ")
        assert lines[1].startswith("TK-0: density: 742 kg/m3 entered by ")
        assert holds(running, "gasoline", 742.0), "the sheet was made at once"
        (after,) = running.inventories()
        assert after["identity"]["boot"] == before["identity"]["boot"]
        assert after["identity"]["sequence"] > before["identity"]["sequence"]
        running.process.send_signal(signal.SIGKILL)
        running.process.wait()
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        assert holds(running, "gasoline", 742.0), "what was answered is there after a kill, from the first sheet on"
        assert running.end() == 0
    rows = place.audit()
    assert [row["asked"]["action"] for row in rows] == ["product-change"]
    assert [each["product"] for each in (rows[0]["before"][0], rows[0]["after"][0])] == ["diesel", "gasoline"]
    assert rows[0]["why"] == "cleaned and refilled"
    table = place.typed("ledger", "audit", str(place.site)).stdout.splitlines()
    assert table[1].split()[3:6] == ["product-change", "TK-0", "gasoline"]
    events = place.exported("--events", "--format", "jsonl")
    told_of = [(each["kind"], each["subject"]) for each in events if each["by"] is not None]
    assert told_of == [("product_changed", "gasoline"), ("value_entered", "density")]


def test_where_the_site_file_says_another_product_that_is_told(place: Place, first: Instruments) -> None:
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        changed(place)
        for text in (shown(place, running), checked(place), "\n".join(place.entered("list"))):
            assert "the site file says diesel; since " in text
            assert "the tank holds gasoline, entered by " in text
        document = valid_message(running.get("/inventories"))
        (told,) = [each for each in document["entered"] if each["quantity"] == "product"]
        assert (told["about"], told["used"]) == ("TK-0", True)
        dipped = place.typed("dip", str(place.site), "TK-0", "--level", "5 m", "--density", "742 kg/m3", "--json")
        assert json.loads(dipped.stdout)["product"] == "gasoline", dipped
        assert "the site file says diesel; by the ledger TK-0 held gasoline then, which counts" in dipped.stderr
        text = place.site.read_text("utf-8").replace("product: diesel", "product: gasoline")
        agreed = text.replace("0.001221 /degC,", "0.001221 /degC, reference_density: 745 kg/m3,")
        place.site.write_text(agreed, "utf-8")
        assert place.typed("reload").returncode == 0
        eventually(lambda: holds(running, "gasoline", 742.0), "the two agree, and what was entered is newer")
        assert "the site file says" not in shown(place, running)
        assert running.end() == 0


def test_a_site_file_without_what_a_tank_holds_is_refused_and_makes_no_other_product_of_it(
    place: Place, first: Instruments
) -> None:
    text = place.site.read_text("utf-8")
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        changed(place)
        place.site.write_text(text.replace("  gasoline:", "  petrol:"), "utf-8")
        refused = place.typed("reload")
        assert refused.returncode == 2
        assert "there is no product 'gasoline'" in refused.stderr
        assert "the tank holds gasoline, entered by" in refused.stderr
        assert holds(running, "gasoline", 742.0)
        assert running.end() == 0
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        product, mass, volume = sheet(running)
        assert (product, mass) == ("gasoline", None), "with no other product instead"
        (tank,) = running.inventories()
        assert (tank["figures"]["mass"]["quality"], tank["figures"]["level"]["quality"]) == ("Bad", "Good")
        assert volume > 0.0
        said = "nothing can be worked out, as tanks.TK-0.product: there is no product 'gasoline'"
        assert said in shown(place, running)
        place.site.write_text(text, "utf-8")
        assert place.typed("reload").returncode == 0
        eventually(lambda: holds(running, "gasoline", 742.0), "it is in the site file again")
        assert running.end() == 0


def test_a_change_to_come_comes_while_nobody_looks(place: Place, first: Instruments) -> None:
    """Its time comes while the gateway is down; it is told by the next, of the time that it was entered for."""
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        at = datetime.now(UTC) + timedelta(seconds=12)
        (line,) = place.entered("product-change", "TK-0", "gasoline", "--at", at.isoformat(), *DENSITY)
        assert line.endswith("until then diesel")
        running.process.kill()
        running.process.wait()
    eventually(lambda: datetime.now(UTC) > at, "its time comes")
    with gateway(place.site, environment=place.environment) as running:
        place.opened(running, first)
        assert holds(running, "gasoline", 742.0)
        kinds = "SELECT body FROM papers WHERE kind = 'product' AND json_extract(body, '$.what') = 'changed'"
        eventually(lambda: place.rows(kinds), "it is told")
        place.entered("withdraw", "TK-0", "product", "--why", "it was the tank beside it")
        assert holds(running, "diesel", 838.0)
        assert running.end() == 0
    (changed, back) = [
        each for each in place.exported("--events", "--format", "jsonl") if each["kind"] == "product_changed"
    ]
    assert changed["subject"] == "gasoline"
    assert datetime.fromisoformat(changed["time"]) == at.replace(microsecond=0)
    assert back["subject"] == "diesel"
    assert len(place.audit()) == 2
