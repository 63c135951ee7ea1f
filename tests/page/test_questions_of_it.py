"""What the IT engineer, the auditor and the planner ask, answered by looking at the page.

What is right comes from elsewhere: what was sent from the simulated instruments at the other end, ports from the system
(psutil), people from the terminal, and the stock from geometry and from days that this file has closed.
"""

import asyncio
import getpass
import hashlib
import json
import math
import re
import sqlite3
import struct
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import psutil
import pytest

from gateway.account.cover import last_days
from gateway.account.day import DAY, DAY_SCHEMA, Balance, DayClose
from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.plan import AccountPlan
from gateway.clock import SystemClock
from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.records import Figure, Quality
from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.signing_in import signed_in
from tests.page.site_process import DemoSite, eventually
from tests.support.mosquitto import free_port

OFFTAKE_M3 = 50.0
RECEIPTS_M3 = 20.0
J3_AREA = math.pi * 12.0**2 / 4
_NOTHING = Figure(0.0, Quality.GOOD, (), 0.0)


def _closed_days() -> list[AccountPaper]:
    """The last seven of jet: 50 m3 a day go off. Of no other product there is a book."""
    found = []
    for day in last_days(AccountPlan(ZoneInfo("UTC"), "UTC"), datetime.now(UTC)):
        stock, off, came = (Figure(value, Quality.GOOD, (), 0.0) for value in (570.0, OFFTAKE_M3, RECEIPTS_M3))
        jet = Balance("jet", "gsv", stock, came, off, _NOTHING, _NOTHING, stock, stock, _NOTHING, off, None, (1, 1))
        close = DayClose(day.name, 1, day.begin, day.end, day.end, "", (), (jet,), (), Quality.GOOD, time_zone="UTC")
        document = {"schema": DAY_SCHEMA, "key": close.key, **DAY.to_plain(close)}
        found.append(AccountPaper(PaperKind.DAY, close.key, "", day.end, document))
    return found


async def _kept(file: Path) -> None:
    clock = SystemClock()
    keeping = kept_in(None, "demo", LedgerPlan(file=file))("0f" * 16, clock)
    audit = clock.utc_ns(), json.dumps({"by": "the test"})
    await asyncio.wrap_future(keeping.keep_account(_closed_days(), (), audit))
    await keeping.close(None)


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoSite]:
    """The demo on a ledger with seven closed days, and with a broker that is not there."""
    folder = tmp_path_factory.mktemp("office") / "site"
    broker = free_port()

    def change(site: dict[str, Any]) -> None:
        site["delivery"] = {"mqtt": {"address": f"127.0.0.1:{broker}", "name": "plant"}}

    site = DemoSite(folder, change=change)
    site.state.mkdir(parents=True)
    asyncio.run(_kept(site.state / "demo.ledger"))
    with site:
        yield site


def _table(page: Page, label: str) -> list[dict[str, str]]:
    """Its rows, by the heads of their columns."""
    return [
        dict(row)
        for row in page.script(
            'const table = document.querySelector(`[aria-label="${arguments[0]}"] table`);'
            "const heads = [...(table?.querySelectorAll('thead th') ?? [])].map((each) => each.innerText.trim());"
            "return [...(table?.querySelectorAll('tbody tr') ?? [])].map((row) =>"
            " [...row.children].map((cell, at) => [heads[at], cell.innerText.replace(/\\s+/g, ' ').trim()]))",
            label,
        )
    ]


def test_can_it_write_which_ports_and_what_if_the_broker_dies(pages: Pages, office: DemoSite) -> None:
    """IT: by what came to the instruments, by what the system says of ports, and by what waits for the broker."""
    page = pages(office.address)
    page.open("#/gateway")
    page.says("There is no code in it that makes a request to write")
    came = office.instruments.ask(lambda running: running.requests.copy())
    page.go("#/lines")
    page.go("#/gateway")
    label = "Can it write to a device?"
    rows = eventually(lambda: _table(page, label), "the requests that were sent")
    now = office.instruments.ask(lambda running: running.requests.copy())
    told = {
        int(head.split()[0]): sum(int(row[head].replace(",", "")) for row in rows)
        for head in rows[0]
        if re.match(r"\d+ ", head)
    }
    assert set(told) == set(now) <= {1, 2, 3, 4}
    for code, count in told.items():
        # Some may be on their way.
        assert came[code] <= count <= now[code] + 10, (code, came, told, now)
    assert office.instruments.ask(lambda running: running.writes_refused) == 0

    assert office._process is not None
    gateway = psutil.Process(office._process.pid)
    ends = [end for each in (gateway, *gateway.children(recursive=True)) for end in each.net_connections("inet")]
    own = {f"{end.laddr.ip}:{end.laddr.port}" for end in ends if end.status == psutil.CONN_LISTEN}
    assert own == {f"127.0.0.1:{office.port}"}
    section = page.find("region", "Ports it listens at").text
    assert [line for line in section.splitlines() if "TCP:" in line] == [
        f"127.0.0.1:{office.port} TCP: this page and the HTTP interface, not encrypted, from this machine only"
    ]
    plan = next(each for each in office.get("/api/1/gateway")["leads"] if each["what"] == "destination")
    assert plan["to"] in section

    (row,) = eventually(lambda: _table(page, "If a destination is down"), "the destination")
    document = office.get("/api/1/gateway")["destinations"][0]
    assert (row["Destination"], document["connected"]) == ("plant", False)
    assert row["State"].startswith("not connected")
    assert int(row["Waiting"].replace(",", "")) > 0
    if document["buffer_left_s"] is None:
        assert row["Buffer left"] == "not known yet"
    else:
        assert re.fullmatch(r"\d+ d \d+ h|\d+ h \d\d min|\d+ min|\d+ s", row["Buffer left"]), row


def test_restore_and_who_has_access(pages: Pages, office: DemoSite) -> None:
    """IT: the copy that the terminal has made; people as the terminal lists them, and to administrators alone."""
    page = signed_in(pages(office.address), office, "Ada", "administrator", "#/gateway")
    page.says("No copy is known of.")
    copy = office.folder / "copy.ledger"
    office.run("ledger", "backup", str(office.state / "demo.ledger"), "--out", str(copy))
    page.says(re.compile(rf"Last copy: .*{re.escape(str(copy))}"), within=20.0)
    page.says("tank-gateway ledger backup SITE.yaml --out COPY.ledger")
    listed = json.loads(office.run("people", "list", "--json"))["people"]
    rows = eventually(lambda: _table(page, "Who has access?"), "people")
    assert {row["Name"]: row["Role"] for row in rows} == {each["name"]: each["role"] for each in listed}
    assert all(row["Password since"] and row["Last seen"] for row in rows)
    page.says("only who comes from this machine may look")
    page.says("This page is served without TLS")
    version = office.get("/api/1/site")["version"]
    assert version in page.find("region", "Versions").text

    viewer = signed_in(pages(office.address), office, "Vera", "viewer", "#/gateway")
    viewer.says("are told to administrators only")
    viewer.says(re.compile(r"Last copy: .* copy\.ledger"))
    assert "Ada" not in viewer.text
    assert str(copy) not in viewer.text, "where files lie is for administrators"


def test_stock_days_cover_and_space(pages: Pages, office: DemoSite) -> None:
    """Planner: one unit and a time; days at the mean of seven closed days; none where nobody has closed any; room."""
    office.run("enter", "maintenance", "IO-BO5", "--for", "8 h", "--why", "loop check")
    page = pages(office.address)
    page.open("#/outlook")
    rows = {row["Product"].split()[0]: row for row in eventually(lambda: _table(page, "By product"), "products")}
    level = office.instruments.ask(lambda running: running.tank("J-3").level_m)
    jet = rows["jet"]
    figures = office.inventory("J-3")["figures"]
    assert jet["Product"] == "jet GSV at 15 °C"
    assert jet["Tanks in it"] == "1 of 1 tanks"
    assert _number(jet["Stock"]) == pytest.approx(figures["gsv"]["value"], abs=0.1)
    # What can be pumped, above 1.100 m, by its standard volume.
    available = (level - 1.1) * J3_AREA * figures["gsv"]["value"] / figures["gov"]["value"]
    assert _number(jet["Above minimum"]) == pytest.approx(available, abs=0.3)
    assert _number(jet["Mean offtake"]) == OFFTAKE_M3
    assert 0.0 <= available / OFFTAKE_M3 - _number(jet["Lasts"]) < 0.11
    assert _number(jet["Received in 7 days"]) == 7 * RECEIPTS_M3
    assert _number(jet["Room"]) == pytest.approx((9.6 - level) * J3_AREA, abs=0.3)
    assert (rows["diesel"]["Lasts"], rows["diesel"]["Mean offtake"]) == ("no value", "no value")
    text = " ".join(page.text.split())
    assert re.search(r"For how long these last is not known: .*diesel.*has no book of it by this measure", text)
    assert re.search(r"As of \d+ \w+ \d{4}, \d\d:\d\d:\d\d UTC", text)
    page.says("The gateway does not know whether a tank is out of service.")
    page.says(re.compile(r"\[ in maintenance \] BO-5"))
    assert "7 of 7 are closed" in text


def _number(text: str) -> float:
    found = re.match(r"-?[\d,]+(?:\.\d+)?", text)
    assert found, text
    return float(found[0].replace(",", ""))


def test_good_time_overrides_and_what_is_overdue(pages: Pages, office: DemoSite) -> None:
    """Manager: Good time counted from the records that are there, what is by hand, and what nobody can know."""
    page = pages(office.address)
    page.open("#/outlook/trust")
    page.says("The site file does not say when an instrument is due for verification")
    entered = office.get("/api/1/entered")["entries"]
    works = [each for each in entered if each["quantity"] == "maintenance"]
    page.says(re.compile(rf"{len(entered) - len(works)} values? entered by hand, {len(works)} instrument"))
    # A-1 has its temperature by hand, of the site file: nobody has entered it here, and it is by hand all the same.
    page.says(re.compile(r"show a value by hand now, entered or of the site file: .*A-1"))
    document = office.get("/api/1/good-time")
    if document["minutes"]:
        rows = {row["Tank"]: row for row in _table(page, "For how much of the time was it Good?")}
        for tank, told in document["tanks"].items():
            share = told["level"]["good"] / document["minutes"] * 100
            assert 0.0 <= share - _number(rows[tank]["Level"]) < 0.11
    else:
        page.says("There is no whole minute of records yet.")
    assert timedelta(minutes=document["minutes"]) <= timedelta(days=7)


def test_who_changed_what_and_do_gauges_agree_with_dips(pages: Pages, office: DemoSite) -> None:
    """Auditor: before, after, who and why; and a dip that is 62 mm off, as where a table's zero is not the gauge's.

    Story 6 and story 8 end here.
    """
    density = ("--density", "838 kg/m3", "--expires", "9 d", "--why", "cleaned and refilled")
    office.run("enter", "product-change", "TK-204", "diesel", *density)
    level = office.inventory("TK-101")["figures"]["level"]["value"]
    office.run("enter", "dip", "TK-101", f"{level + 0.062:.3f} m", "--why", "monthly")
    page = signed_in(pages(office.address), office, "Theo", "technician", "#/changes")
    page.says("cleaned and refilled")
    page.script("for (const each of document.querySelectorAll('.change details')) each.open = true")
    changes = page.script("return [...document.querySelectorAll('.change')].map((each) => each.innerText)")
    (change,) = [text for text in changes if "cleaned and refilled" in text]
    before, _, after = change.partition("After")
    assert "gasoline" in before.partition("Before")[2]
    assert "diesel" in after
    assert getpass.getuser() in change
    page.go("#/tank/TK-204")
    page.says(re.compile(r"product: the site file says gasoline; since .* UTC the tank holds diesel, entered by"))
    page.go("#/gateway/evidence")
    page.find("combobox", "Tank").element.send_keys("TK-101")
    page.find("region", "Do gauges agree with dips?").element.find_element("css selector", "summary").click()
    page.says("BEYOND both")
    # The gauge has noise of a millimetre or two.
    page.says(re.compile(r"[-−]6[0-4] mm"))
    page.says("One dip proves no gauge")


def _trail(site: DemoSite) -> list[tuple[int, int, str]]:
    """(number, instant in ns, body) of each row."""
    with closing(sqlite3.connect(f"{(site.state / 'demo.ledger').as_uri()}?mode=ro", uri=True)) as connection:
        return connection.execute("SELECT number, instant_ns, body FROM audit ORDER BY number").fetchall()


def test_altered_records_alarm_response_and_what_it_is_not(pages: Pages, office: DemoSite) -> None:
    """Auditor: the chain as it is hashed here, how long an alarm waited for whom, and that it is no protection."""
    gauge = "LT-F1"
    # 11.204 m and 4 m more are above all limits.
    office.instruments.ask(lambda running: running.set_fault(gauge, "offset", signal="innage", amount=4.0))
    try:
        standing = eventually(
            lambda: [
                each
                for each in office.get("/alarms")["alarms"]
                if each["tank"] == "F-1" and each["alarm"]["phase"] == "unacknowledged"
            ],
            "an alarm of F-1",
        )
        name = standing[0]["alarm"]["name"]
        office.run("enter", "acknowledge", "F-1", name)
        asked_ns = time.time_ns()
        page = pages(office.address, Look(time_zone="Asia/Tokyo"))
        page.open("#/gateway/evidence")
        page.says("No: not this.")
        page.says("Not an overfill prevention system (API 2350)")
        page.says(re.compile(r"The chain is whole: rows 1 to \d+ of the audit trail"), within=20.0)
        shown = re.search(r"Newest row (\d+) of .*? hash ([0-9a-f]{64})", " ".join(page.text.split()))
        assert shown
        # By an implementation of its own: each row is hashed over number, instant, the hash before it, and its body.
        trail = _trail(office)
        before = hashlib.sha256(b"tank-gateway/audit/1").digest()
        for number, instant_ns, body in trail[: int(shown[1])]:
            head = struct.pack(">qq", number, instant_ns)
            before = hashlib.sha256(head + before + body.encode()).digest()
        assert before.hex() == shown[2]
        # It is looked through once a minute for all who ask, and a row is on the disk within seconds.
        before_that = [number for number, instant_ns, _ in trail if instant_ns < asked_ns - 70_000_000_000]
        assert len(trail) >= int(shown[1]) >= max(before_that, default=1)
        rows = eventually(lambda: _table(page, "How were alarms answered to?"), "alarms")
        of_tank = [row for row in rows if row["Where"] == "F-1" and row["By"]]
        assert of_tank, rows
        assert re.fullmatch(r"\d+ s", of_tank[0]["After"]), of_tank
        page.says("6 an hour on average can be borne")
        # The manager's at 07:00: what the night was, on one screen.
        page.go("#/alarms")
        page.find("heading", re.compile("day", re.IGNORECASE))
        page.script("document.querySelector('.day-of-alarms button').click()")
        happened = "return [...document.querySelectorAll('.day-of-alarms tbody tr')].map((row) => row.innerText)"
        rows_of_day = eventually(lambda: page.script(happened), "what alarms did on this day")
        of_tank = [row for row in rows_of_day if "F-1" in row and getpass.getuser() in row]
        assert of_tank, rows_of_day
        page.go("#/handover")
        page.says("Alarms that are open")
    finally:
        office.instruments.ask(lambda running: running.clear_fault(gauge))
