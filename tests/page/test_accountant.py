"""The accountant's five questions, answered by the page over a real gateway, against what its other programs write.

The ledger is one with three closed days (`kept_books`): numbers of the page are made in the browser out of documents of
/days, /tickets and /amounts, those of `tank-gateway report` in Python out of the file of the ledger.
"""

import getpass
import json
import re
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.page.acting import choose, done, joins
from tests.page.conftest import Pages
from tests.page.kept_books import ZONE, KeptBooks, kept_books
from tests.page.reading import Page
from tests.page.reading_accounts import cells, decimal_of, report_tables, statement
from tests.page.site_process import DemoSite, eventually

LINES = {
    "Opening": "opening",
    "Receipts": "receipts",
    "Dispatches": "dispatches",
    "Own use": "own_use",
    "Adjustments": "adjustments",
    "Book": "book",
    "Physical": "physical",
    "Gain or loss (−)": "gain",
    "Of throughput": "percent",
    "Throughput": "throughput",
    "Uncertainty, k = 2": "uncertainty",
}


class BookedSite(DemoSite):
    """The demo's depot as `harbour`, on a ledger that holds its days."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, file="depot.yaml", scenario="working_day", change=self._as_harbour)
        folder.mkdir(parents=True, exist_ok=True)
        self.books: KeptBooks
        made = folder / "made"
        made.mkdir()
        self.books, file = kept_books(made)
        self.state.mkdir(exist_ok=True)
        shutil.copy(file, self.state / "harbour.ledger")

    def _as_harbour(self, site: dict[str, Any]) -> None:
        """Its tanks are those of the books and no others: another would make the days that are closed others."""
        site["site"] |= {"name": "harbour", "time_zone": ZONE}
        site["account"] = {
            "day_boundary": self.books.boundary_text,
            "propose": "no",
            "owners": {"TK-52": "Ostrava Fuels"},
        }
        site["tanks"] = {"TK-51": site["tanks"]["TK-11"], "TK-52": site["tanks"]["TK-12"]}

    def report(self, *arguments: str) -> dict[str, list[dict[str, str]]]:
        """As `tank-gateway report` writes it as CSV."""
        return report_tables(self.run("report", *arguments, "--format", "csv"))


@pytest.fixture(scope="module")
def booked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BookedSite]:
    with BookedSite(tmp_path_factory.mktemp("booked") / "site") as running:
        yield running


def _opened(pages: Pages, booked: BookedSite, place: str) -> Page:
    page = pages(booked.address)
    page.open(place)
    return page


def test_closing_stock_gain_and_loss_and_what_is_estimated(pages: Pages, booked: BookedSite) -> None:
    """Closing stock? Gain/loss? Which tanks estimated or moving? Of the newest day that is closed, without a word."""
    third = booked.books.days[2]
    page = _opened(pages, booked, "#/stock/day")
    page.says(f"Day {third}, revision 1 of 1")
    told = booked.report("reconciliation", "--day", third)
    lines = statement(page, page.find("region", "diesel"))
    for column, title in ((0, "Day, volumes"), (1, "Month to date, volumes")):
        (row,) = told[title]
        for name, key in LINES.items():
            assert decimal_of(lines[name][column]) == Decimal(row[key]), (name, lines, row)
    assert decimal_of(lines["Tolerance of the month"][1]) == Decimal(told["Month to date, volumes"][0]["tolerance"])
    # What stands below is the sum of what stands above it.
    for column in (0, 1):
        line = {name: decimal_of(lines[name][column]) for name in LINES}
        book = line["Opening"] + line["Receipts"] - line["Dispatches"] - line["Own use"] + line["Adjustments"]
        assert line["Book"] == book
        assert line["Gain or loss (−)"] == line["Physical"] - book
    assert "?" in lines["Physical"][0]
    page.says("Month to date NOT within tolerance: look into it")
    # Which, and why.
    page.says(re.compile(r"TK-51 diesel: Uncertain: element 2 of 5 has failed"))
    page.says(re.compile(r"TK-52 diesel: emptying; Uncertain: its contents moved at the end of the day"))
    assert "Ostrava Fuels" in page.text
    # Every tank as the stock report has it, and the total that of the rows shown.
    rows = _tank_rows(page)
    stock = {row["tank"]: row for row in booked.report("stock", "--day", third)["Stock"]}
    for tank in ("TK-51", "TK-52"):
        for name, key in (("Level", "level"), ("GSV", "gsv"), ("Mass", "mass"), ("TOV", "tov")):
            assert decimal_of(rows[tank][name]) == Decimal(stock[tank][key]), (tank, name)
    for name in ("GSV", "Mass"):
        total = sum(decimal_of(rows[tank][name]) for tank in ("TK-51", "TK-52"))
        assert decimal_of(rows["Total diesel"][name]) == total
    _amounts_as_reported(page, booked, third)


def _tank_rows(page: Page) -> dict[str, dict[str, str]]:
    """Of the table of the closing stock, by tank and the first word of the heading."""
    head, *rows = cells(page, page.find("group", "Closing stock"))
    names = [title.partition(" ")[0] for title in head]
    return {row[0].partition("\n")[0]: dict(zip(names, row, strict=False)) for row in rows if len(row) > 2}


def test_a_day_that_was_closed_again_keeps_both_and_says_why(pages: Pages, booked: BookedSite) -> None:
    """Yesterday's number differs today? Both stand, and what came late is said."""
    _, second, _ = booked.books.days
    page = _opened(pages, booked, f"#/stock/day/{second}")
    page.says(f"Day {second}, revision 2 of 2")
    page.says("dispatches 92.400 m3, before 91.609 m3")
    page.says("Month to date within tolerance")
    after = statement(page, page.find("region", "diesel"))
    page.find("link", "Revision 1").click()
    page.says(f"Day {second}, revision 1 of 2")
    page.says("This is not the newest revision.")
    before = statement(page, page.find("region", "diesel"))
    for number, shown in (("1", before), ("2", after)):
        (row,) = booked.report("reconciliation", "--day", second, "--revision", number)["Day, volumes"]
        for name, key in LINES.items():
            assert decimal_of(shown[name][0]) == Decimal(row[key]), (number, name)
    assert before["Physical"] == after["Physical"]
    _amounts_as_reported(page, booked, second)


def _amounts_as_reported(page: Page, booked: BookedSite, day: str) -> None:
    """What makes the book: each amount once, with its sign; one that takes another back undoes what that did."""
    amounts = {row[0]: row for row in cells(page, page.find("group", "Amounts of others")) if row[0].isdecimal()}
    told = booked.report("reconciliation", "--day", day)["Amounts of others"]
    assert {number: decimal_of(row[4].partition(" ")[0]) for number, row in amounts.items()} == {
        row["amount"]: Decimal(row["volume"]) for row in told
    }


def test_amounts_losses_and_a_ticket_of_the_past(pages: Pages, booked: BookedSite) -> None:
    """Reproduce an old day: amounts that were taken back, the trend of the losses, the ticket behind a number."""
    page = _opened(pages, booked, "#/stock/amounts")
    page.says("TAKEN BACK by 5")
    page.says("takes back 4")
    page.go("#/stock/losses")
    for day in booked.books.days:
        page.find("link", day)
    shown = _losses(page)
    for day in booked.books.days:
        told = booked.report("reconciliation", "--day", day)
        assert decimal_of(shown[day][1]) == Decimal(told["Day, volumes"][0]["gain"])
        assert decimal_of(shown[day][3]) == Decimal(told["Month to date, volumes"][0]["gain"])
        assert decimal_of(shown[day][4]) == Decimal(told["Month to date, volumes"][0]["tolerance"])
    # The first of all has nothing to open from: no gain is told, and no zero stands for it.
    assert shown[min(shown.keys() - {"Day"})][1] == "no value"
    page.go("#/transfers/ticket/1")
    page.says("Ticket 1: receipt into TK-51")
    page.says("Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).")
    _as_on_paper(page, booked.report("ticket", "--ticket", "1"))


def test_a_report_is_the_same_file_as_in_the_terminal(pages: Pages, booked: BookedSite, tmp_path: Path) -> None:
    """Reproduce March? Identical digits: what is downloaded is byte for byte what `tank-gateway report` writes."""
    second = booked.books.days[1]
    page = _opened(pages, booked, "#/reports")
    page.says("Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).")
    saved = tmp_path / "saved"
    saved.mkdir()
    downloads = {"behavior": "allow", "downloadPath": str(saved), "browserContextId": page.context}
    page.browser.driver.execute_cdp_cmd("Browser.setDownloadBehavior", downloads)
    for form, title in (("csv", "CSV, for programs"), ("pdf", "PDF, to print or sign")):
        _chosen(page, "Report", "Reconciliation")
        page.script(
            "const [box] = document.querySelectorAll('input[type=date]'); box.value = arguments[0]; "
            "box.dispatchEvent(new Event('change', {bubbles: true}));",
            second,
        )
        page.says(re.compile(r"From .* to .*, revision 2 of 2\."))
        _chosen(page, "Form", title)
        page.find("button", "Download").click()
        file = saved / f"harbour-reconciliation-{second}.{form}"
        eventually(file.exists, f"{file.name} is saved; {page.text}")
        made = tmp_path / f"made.{form}"
        booked.run("report", "reconciliation", "--day", second, "--out", str(made))
        assert file.read_bytes() == made.read_bytes(), form
    # Of a day that is not closed there is none, and no file of that is saved.
    page.expecting("reports/reconciliation")
    page.script(
        "const [box] = document.querySelectorAll('input[type=date]'); box.value = '2020-01-01'; "
        "box.dispatchEvent(new Event('change', {bubbles: true}));"
    )
    page.says("The day 2020-01-01 is not closed.")
    page.find("button", "Download").click()
    page.says(re.compile("2020-01-01 is not closed|no close of 2020-01-01|not closed"))
    assert len(list(saved.iterdir())) == 2


def _chosen(page: Page, label: str, option: str) -> None:
    box = page.find("combobox", re.compile(f"^{label}"))
    box.element.find_element("xpath", f".//option[normalize-space()='{option}']").click()


@pytest.fixture
def own_books(tmp_path: Path) -> Iterator[BookedSite]:
    """For a test that writes in them."""
    with BookedSite(tmp_path / "site") as running:
        yield running


@pytest.fixture
def depot(tmp_path: Path) -> Iterator[DemoSite]:
    with DemoSite(tmp_path / "site", file="depot.yaml", scenario="working_day") as running:
        yield running


def test_stock_of_now_and_which_density_since_when_by_whom(depot: DemoSite, pages: Pages) -> None:
    """Which density, since when? And the totals of now: those of the lines shown, as the terminal has them."""
    depot.run("enter", "density", "TK-31", "801.25 kg/m3", "--expires", "10 d", "--why", "sample 4711")
    page = pages(depot.address)
    page.open("#/stock/densities")
    eventually(lambda: "801.3" in page.text or "801.2" in page.text, f"the density is shown: {page.text}")
    rows = {row[0]: row for row in cells(page, page.find("group", "Densities"))}
    (plan,) = depot.get("/api/1/tanks/TK-31")["plan"]["density"]
    assert decimal_of(rows["TK-31"][2]) == Decimal("801.3")
    assert (plan["value"], rows["TK-31"][3]) == (801.25, "15 °C")
    assert f"entered by {getpass.getuser()}" in rows["TK-31"][6]
    assert "site file" in rows["TK-11"][6]
    zone = ZoneInfo("Europe/Rome")
    for tank, shown in (("TK-31", plan), ("TK-11", depot.get("/api/1/tanks/TK-11")["plan"]["density"][0])):
        for column, key in ((4, "entered"), (5, "expires")):
            instant = datetime.fromisoformat(shown[key]).astimezone(zone)
            assert f"{instant:%H:%M:%S}" in rows[tank][column], (tank, key)
    page.go("#/stock")
    table = page.find("group", "Product")
    lines = {row[0].partition(" ")[0]: row for row in cells(page, table)}
    told = json.loads(depot.run("stock", "--address", depot.address.removeprefix("http://"), "--json"))
    for line in told["products"]:
        row = lines[line["product"]]
        for column, name, factor in (
            (1, "gsv", 1),
            (2, "tov", 1),
            (4, "mass", 1000),
            (6, "pumpable", 1),
            (7, "room", 1),
        ):
            value = line["figures"][name]["figure"]["value"]
            # Tanks at rest, whose gauges have a noise of a tenth of a millimetre: some tenths of a cubic metre.
            assert abs(float(decimal_of(row[column])) - value / factor) <= 1.5, (line["product"], name)
        included, of = line["figures"]["gsv"]["tanks"]
        assert row[8].startswith(f"{included} of {of}")
    lines = {row[0].partition(" ")[0]: row for row in cells(page, table)}
    assert decimal_of(lines["All"][4]) == sum(decimal_of(lines[line["product"]][4]) for line in told["products"])
    _struck_while_it_is_not_heard(page, depot)


def _struck_while_it_is_not_heard(page: Page, depot: DemoSite) -> None:
    """Nothing that is old passes for the present, and no total stays as if nothing were."""
    depot.freeze()
    page.says("This is no longer the present.", within=20.0)
    drawn = "return getComputedStyle(document.querySelector('main .figure')).textDecorationLine"
    assert page.script(drawn) == "line-through"
    depot.thaw()
    eventually(lambda: "This is no longer the present." not in page.text, "it is the present again")
    assert page.script(drawn) == "none"


def test_what_came_late_is_entered_and_taken_back_and_a_day_has_another_revision(
    own_books: BookedSite, pages: Pages
) -> None:
    """By the page alone: amounts, one by one and of a file, one taken back, a ticket reissued, another revision of a
    day."""
    site = own_books
    _, day, late = site.books.days
    joins(site, "Ines", "accountant")
    page = pages(site.address)
    page.open("#/stock/amounts")
    _amounts(page, site)
    page.go("#/transfers/ticket/1")
    page.find("button", "Take back").click()
    page.find("dialog").find("textbox", re.compile("^Why")).type("wrong bill of lading")
    page.find("dialog").find("textbox", re.compile("^Reference")).type("BL-2042")
    done(page, "Take back")
    page.says("TAKEN BACK by ticket 3")
    page.find("link", "ticket 4 stands in its place").click()
    page.says("in place of ticket 1")
    tickets = {each["number"]: each for each in site.get("/tickets?number=1")["tickets"]}
    assert (tickets[3]["reverses"], tickets[4]["replaces"], tickets[4]["reference"]) == (1, 1, "BL-2042")
    assert tickets[3]["why"] == "wrong bill of lading"
    # What was imported is of a day that is closed: that gets another revision by itself, and says why.
    page.go(f"#/stock/day/{late}")
    eventually(lambda: _revisions(site, late) == [1, 2], "it has another revision")
    page.open(f"#/stock/day/{late}")
    page.says(f"Day {late}, revision 2 of 2")
    page.says(re.compile("Why this revision: .*dispatches 1.250 m3, before 0.000 m3"))
    # Of the other nothing differs: it is not closed again, and that is said before anything is done.
    page.go(f"#/stock/day/{day}")
    page.find("button", "Close the day again").click()
    page.find("dialog").find("textbox", re.compile("^Why")).type("after the stocktaking")
    page.find("button", "Show what it will do").click()
    page.says(f"{day} is closed as revision 2, and nothing differs from it")
    page.find("button", "Leave it").click()


def _revisions(site: BookedSite, day: str) -> list[int]:
    return [each["revision"] for each in site.get(f"/days?from={day}")["days"] if each["day"] == day]


def _amounts(page: Page, site: BookedSite) -> None:
    page.find("button", "Enter an amount").click()
    for label, option in (("Kind", "own use"), ("Measured by", "meter"), ("Product", "diesel"), ("Measured as", "GSV")):
        choose(page, label, option)
    page.find("dialog").find("textbox", re.compile("^Amount")).type("2.5")
    page.find("dialog").find("textbox", re.compile("^Number of the document")).type("MTR-8")
    done(page, "Enter", signing_in="Ines")
    page.says("MTR-8")
    page.find("button", "Import amounts of a file").click()
    at = f"{site.books.begin + timedelta(days=2, hours=9):%Y-%m-%dT%H:%MZ}"
    lines = ["kind;source;product;amount;measure;at;reference", f"dispatch;rack;diesel;1,25 m3;gsv;{at};LOAD-119"]
    # One mistake, and nothing of the file is taken in: the answer to that is 422.
    page.expecting(r"act\?try=yes")
    box = page.find("dialog").find("textbox", re.compile("^Comma, semicolon"))
    box.type("\n".join([*lines, f"dispatch;rack;diesel;x;gsv;{at};LOAD-120"]))
    page.find("button", "Show what it will do").click()
    page.says("nothing was taken in")
    page.find("dialog").find("textbox", re.compile("^Comma, semicolon")).type("\n".join(lines))
    done(page, "Take all of it in")
    page.says("LOAD-119")
    amounts = {each["reference"]: each for each in site.get("/amounts")["amounts"]}
    assert (amounts["LOAD-119"]["value"], amounts["MTR-8"]["value"]) == (1.25, 2.5)
    assert amounts["LOAD-119"]["by"] == "Ines@page"
    number = amounts["MTR-8"]["number"]
    page.find("button", re.compile(f"^Take back amount {number}$")).click()
    page.find("dialog").find("textbox", re.compile("^Why")).type("of another site")
    done(page, "Take back")
    page.says(f"takes back {number}")
    reversal = next(each for each in site.get("/amounts")["amounts"] if each["reverses"] == number)
    assert reversal["why"] == "of another site"


def _as_on_paper(page: Page, ticket: dict[str, list[dict[str, str]]]) -> None:
    """Every number of the ticket: amounts with their uncertainty, and each tank's opening, closing and difference."""
    amounts = _by_figure(cells(page, page.find("region", "Amount")))
    for row in ticket["Amount"]:
        shown = amounts[_of_page(row["figure"])]
        assert decimal_of(shown[1]) == Decimal(row["amount"]), row
        assert decimal_of(shown[2]) == Decimal(row["uncertainty"]), row
    side = _by_figure(cells(page, page.find("region", "into TK-51")))
    compared = 0
    for row in ticket["Into TK-51"]:
        name = _of_page(row["figure"])
        for column, key in ((1, "opening"), (2, "closing"), (3, "moved")):
            if row[key]:
                compared += 1
                assert decimal_of(side[name][column]) == Decimal(row[key]), row
        if row["moved"]:
            assert decimal_of(side[name][2]) - decimal_of(side[name][1]) == decimal_of(side[name][3])
    assert compared > 20


PAPER = {
    "FW": "free water",
    "M": "mass",
    "W": "weight in air",
    "NSM": "net mass",
    "NSWA": "net weight in air",
    "Level above the datum": "level",
    "Free-water level": "water level",
    "Average liquid temperature": "temperature",
    "Density at reference temperature": "reference density",
    "Density at tank temperature": "observed density",
    "Correction for the liquid's temperature": "ctl",
}
"""What the paper calls by another name than the page."""


def _of_page(figure: str) -> str:
    symbol = figure.partition(",")[0]
    return PAPER.get(symbol, symbol.lower())


def _by_figure(rows: list[list[str]]) -> dict[str, list[str]]:
    """By the name of the figure without its unit and reference temperature."""
    found = {}
    for row in rows:
        name = re.sub(r"( at 15 °C)?( (m³|m|t|°C|kg/m³|%))?$", "", row[0]).strip().lower()
        found[name] = row
    return found


def _losses(page: Page) -> dict[str, list[str]]:
    found = [cells(page, node) for node in page.all("region", "diesel")]
    return {row[0]: row for rows in found for row in rows if len(row) == 5}


def test_what_arrived_beside_what_was_announced_and_no_days_where_they_are_not_closed(
    pages: Pages, booked: BookedSite
) -> None:
    """The planner's: 360 m3 were announced and the ticket says what came; so few closed days are no mean of seven."""
    page = _opened(pages, booked, "#/outlook")
    page.says("What arrived?")
    (ticket,) = [each for each in booked.get("/tickets")["tickets"] if each["kind"] == "receipt"]
    row = eventually(
        lambda: [
            line
            for line in cells(page, page.find("region", "What arrived?"))
            if line[0] == f"Ticket {ticket['number']}"
        ],
        "the receipt",
    )[0]
    assert row[2:5] == ["diesel", "TK-51", "MT Samphire, BL-2041"]
    assert decimal_of(row[5].split()[0]) == Decimal("360.0")
    assert float(decimal_of(row[6].split()[0])) == pytest.approx(ticket["moved"]["gsv"]["value"], abs=0.1)
    text = " ".join(page.text.split())
    # The three, and the one before them.
    closed = {each["day"] for each in booked.get("/days?brief=yes")["days"]}
    assert closed > set(booked.books.days)
    found = re.search(r"For how long these last is not known: diesel\. (\d) of 7 days are closed; not ([-\d, ]+)", text)
    assert found
    assert int(found[1]) == len(closed)
    assert not closed & set(re.findall(r"[-\d]{10}", found[2]))
    page.go("#/outlook/trust")
    page.says("Month to date NOT within tolerance: look into it")
