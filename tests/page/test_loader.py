"""The loader's five questions, on the page of a real gateway: a ship is unloaded from the plan to the ticket.

What the page says is compared with the simulator's truth, with the documents of /transfers and /tickets, and with
`tank-gateway transfers`. A day of the depot without movements of its own; the test opens the valves. A minute of the
site takes a second.
"""

import re
from collections.abc import Iterator
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from math import pi
from pathlib import Path
from typing import Any

import pytest
import yaml

from simulators.scenario_file import scenario_path
from tests.page.acting import choose, done, joins, signs_in
from tests.page.conftest import Pages
from tests.page.reading import Node, Page
from tests.page.reading_accounts import cells, decimal_of
from tests.page.site_process import DemoSite, eventually

FACTOR = 60.0
FLOW_M3_H = 380.0
NAME = "Mara"
LONG_S = 90.0
"""Of a test that waits for liquid to come to rest."""


@pytest.fixture
def depot(tmp_path: Path) -> Iterator[DemoSite]:
    folder = tmp_path / "site"
    folder.mkdir()
    scenario = yaml.load(scenario_path("working_day").read_text("utf-8"), yaml.BaseLoader)
    scenario |= {"movements": [], "faults": [], "time_factor": str(FACTOR)}
    file = folder / "depot.yaml"
    file.write_text(yaml.safe_dump(scenario, sort_keys=False), "utf-8")
    with DemoSite(folder, file="depot.yaml", scenario=str(file), change=_settles_soon, time_factor=FACTOR) as running:
        yield running


def _settles_soon(site: dict[str, Any]) -> None:
    site["account"] = {"settling": "8 min"}


def _flow(site: DemoSite, tank: str, flow_m3_h: float) -> None:
    site.instruments.ask(lambda running: running.tank(tank).set_flow(flow_m3_h, 18.5))


def _true_m3(site: DemoSite) -> float:
    """TOV of TK-11, an upright cylinder of 18.000 m, by the level that the simulator has."""
    return site.instruments.ask(lambda running: running.tank("TK-11").level_m) * pi * 18.0**2 / 4.0


def test_a_ship_from_the_plan_to_the_ticket(depot: DemoSite, pages: Pages) -> None:
    joins(depot, NAME, "operator")
    page = pages(depot.address)
    page.open("#/transfers")
    page.says("A screen value never authorises opening a valve: follow site procedure.")
    page.says("Nothing is planned, and nothing moves")
    _planned(page, depot)
    _started(page, depot)
    _runs(page, depot)
    _confirms(page, depot)
    _settles(page, depot)
    _ticket(page, depot)


def _planned(page: Page, depot: DemoSite) -> None:
    page.find("button", "Plan a transfer").click()
    dialog = page.find("dialog", "Plan a transfer")
    choose(page, "Kind", "receipt")
    choose(page, "Into tank", "TK-11")
    dialog.find("textbox", re.compile("^Ordered")).type("190")
    dialog.find("textbox", re.compile("^Other side")).type("MT Samphire")
    dialog.find("textbox", re.compile("^Reference")).type("BL-2041")
    page.find("button", "Show what it will do").click()
    # Nobody has signed in: it is asked for in the middle, and nothing that was typed is lost.
    signs_in(page, NAME)
    page.find("heading", "What will be done")
    assert depot.get("/transfers")["transfers"] == [], "nothing has been done yet"
    page.find("button", "Plan").click()
    page.find("heading", "Done")
    page.find("button", "Close").click()
    (transfer,) = depot.get("/transfers")["transfers"]
    assert (transfer["phase"], transfer["planned"]["amount"], transfer["by"]) == ("planned", 190.0, f"{NAME}@page")
    card = page.find("article", re.compile("receipt into TK-11"))
    # Settled? Said before anything is opened, as the gateway tells it; a minute of the site passes in a second.
    eventually(lambda: _settling(depot) in card.text, f"it says whether the tank has settled: {card.text}", 30.0)
    # Enough room? To the maximum working level, never rounded up.
    eventually(
        lambda: decimal_of(_course(card)["Room to maximum working"].removesuffix(" m³")) == _room_m3(depot),
        f"the room is that of the gateway: {card.text}",
        30.0,
    )


def _settling(depot: DemoSite) -> str:
    (transfer,) = depot.get("/transfers")["transfers"]
    rest_s = transfer["progress"]["opening_rest_s"]
    settled = "its tanks have settled" if rest_s == 0 else "settling: still" if rest_s else "NOT SETTLED"
    return f"its start: before anything flows; {settled}"


def _room_m3(depot: DemoSite) -> Decimal:
    room: float = depot.inventory("TK-11")["figures"]["room"]["value"]
    return Decimal(repr(room)).quantize(Decimal(1), ROUND_FLOOR)


def _started(page: Page, depot: DemoSite) -> None:
    """Opening figures? Level 1 mm, 0.1 °C, water, TOV, GSV, all Good; as the sheet at rest has them."""
    eventually(lambda: _settling(depot).endswith("its tanks have settled"), "it may be opened as Good", LONG_S)
    page.find("button", re.compile("^Start No. 1")).click()
    page.says("The newest sheet of each of its tanks at rest becomes its opening.")
    will, did = done(page, "Start")
    assert "A screen value never authorises opening a valve" in will
    assert "transfer 1: receipt of diesel" in did
    card = page.find("article", re.compile("receipt into TK-11"))
    eventually(lambda: "Opening figures" in card.text, "it has an opening")
    (transfer,) = depot.get("/transfers")["transfers"]
    opening = transfer["sides"][0]["opening"]
    shown = {row[0].partition(" ")[0]: row[1] for row in cells(page, card)}
    for name, figure, places in (
        ("Level", "level", 3),
        ("Temperature", "liquid_temperature", 1),
        ("Water", "water_level", 3),
        ("TOV", "tov", 0),
        ("GSV", "gsv", 0),
    ):
        wanted = Decimal(repr(opening["figures"][figure]["value"])).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
        assert decimal_of(shown[name]) == wanted, name
    assert shown["Quality"] == "Good"
    # As the simulated tank has it, by the volume of its cylinder.
    assert abs(opening["figures"]["tov"]["value"] - _true_m3(depot)) < 1.0


def _course(card: Node) -> dict[str, str]:
    """Terms and what stands with them."""
    found: dict[str, str] = card._page.script(
        "return Object.fromEntries([...arguments[0].querySelectorAll('dl > div')]"
        ".map((each) => [each.children[0].innerText, each.children[1].innerText.trim()]))",
        card.element,
    )
    return found


def _runs(page: Page, depot: DemoSite) -> None:
    """Rate now? Finish? What has moved of what was ordered?"""
    _flow(depot, "TK-11", FLOW_M3_H)
    _flow(depot, "TK-12", -60.0)
    card = page.find("article", re.compile("receipt into TK-11"))
    eventually(lambda: "Finish" in _course(card) and ", in " in _course(card)["Finish"], "it has a finish", LONG_S)

    def steady() -> bool:
        rate = _course(card)["Rate now, 5-min mean"].removesuffix(" m³/h")
        return rate.isdecimal() and abs(int(rate) - FLOW_M3_H) < 0.03 * FLOW_M3_H

    eventually(steady, "the rate is that of the pump", LONG_S)
    course = _course(card)
    moved = decimal_of(course["Moved"].partition(" ")[0])
    missing = decimal_of(course["Still missing"].partition(" ")[0])
    # Of one drawing: what was ordered is the sum of both, but for the rounding of each.
    assert abs(moved + missing - 190) <= Decimal("0.1")
    assert course["Ordered"] == "190.0 m³ GSV at 15 °C"
    assert card.all("image", re.compile(r"^Moved [\d.]+ m³, ordered 190\.0 m³ GSV at 15 °C$"))
    told = depot.run("transfers", "--address", depot.address.removeprefix("http://"))
    assert "MT Samphire, BL-2041" in told


def _confirms(page: Page, depot: DemoSite) -> None:
    """Of the movement that nobody has announced, somebody says what it is."""
    page.find("heading", re.compile("^Movements that wait for a word"))
    card = page.find("article", re.compile("dispatch out of TK-12"))
    assert "somebody to say what it is" in card.text
    card.find("button", re.compile("^Confirm")).click()
    page.find("dialog", "Confirm a movement").find("textbox", re.compile("^Other side")).type("road cars")
    done(page, "Confirm")
    page.gone("heading", re.compile("^Movements that wait for a word"))
    transfer = depot.get("/transfers")["transfers"][1]
    assert (transfer["phase"], transfer["partner"], transfer["by"]) == ("running", "road cars", f"{NAME}@page")


def _settles(page: Page, depot: DemoSite) -> None:
    """Settled? "Still so many min"."""
    card = page.find("article", re.compile("receipt into TK-11"))

    def enough() -> bool:
        figure = depot.get("/transfers")["transfers"][0]["progress"]["moved"]["gsv"]
        return bool(figure["value"] and figure["value"] > 150.0)

    eventually(enough, "most of it is in the tank", LONG_S)
    _flow(depot, "TK-11", 0.0)
    page.find("button", re.compile("^Finish No. 1")).click()
    page.find("dialog", "Finish a transfer")
    done(page, "Finish")
    card = page.find("article", re.compile("receipt into TK-11"))
    eventually(lambda: "settling" in card.text, "it settles", LONG_S)
    eventually(
        lambda: re.search(r"still \d+ (min|s), until \d\d:\d\d if nothing moves", card.text), f"{card.text}", LONG_S
    )


def _ticket(page: Page, depot: DemoSite) -> None:
    """What has been moved? The ticket, with its quality: every row its own difference, and taken back once."""
    eventually(lambda: page.all("link", "Ticket 1"), "there is a ticket", LONG_S)[0].click()
    page.says("Ticket 1: receipt into TK-11")
    page.says("Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).")
    (ticket,) = depot.get("/tickets")["tickets"]
    assert "Good" in page.find("region", "Amount").text
    for row in cells(page, page.find("region", "into TK-11")):
        if len(row) == 5 and row[3] and row[0] != "Figure":
            opening, closing, moved = (decimal_of(cell) for cell in row[1:4])
            assert closing - opening == moved, row
    gsv = next(row for row in cells(page, page.find("region", "Amount")) if row[0].startswith("GSV"))
    assert abs(decimal_of(gsv[1]) - Decimal(repr(ticket["moved"]["gsv"]["value"]))) <= Decimal("0.15")
    assert abs(ticket["moved"]["tov"]["value"] - (_true_m3(depot) - _opening_m3(ticket))) < 1.5


def _opening_m3(ticket: dict[str, Any]) -> float:
    return float(ticket["sides"][0]["opening"]["figures"]["tov"]["value"])
