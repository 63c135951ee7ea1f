"""What people do on the page: seen in the ledger, in the terminal and by others; refused in the door's own words; never
done twice, by somebody else, or later than asked for.
"""

import json
import math
import re
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.page.axe import serious_findings
from tests.page.conftest import Pages
from tests.page.reading import Look, Node, Page
from tests.page.reading_accounts import cells
from tests.page.signing_in import PASSWORD, audit_when, signed_in
from tests.page.site_process import PATIENCE_S, ROOT, DemoSite, eventually

PHONE = Look(360, 740, dark=True)
_FORGED = """
const { proof } = await (await fetch("/api/1/session")).json();
const answer = await fetch("/api/1/act", {
  method: "POST",
  headers: { "Content-Type": "application/json", "X-Page-Proof": proof },
  body: JSON.stringify(arguments[0]),
});
return [answer.status, await answer.json()];
"""


class ClosedSite(DemoSite):
    """Whoever looks has signed in; this harness asks as a program does, by a token."""

    SECRET = "a-secret-of-this-test-alone"

    def get(self, path: str) -> Any:
        asked = urllib.request.Request(f"{self.address}{path}", headers={"Authorization": f"Bearer {self.SECRET}"})
        with urllib.request.urlopen(asked, timeout=PATIENCE_S) as answer:
            return json.load(answer)


def _altered(demo: dict[str, Any]) -> None:
    """TK-101 stands above two limits from the first sheet on, J-3 above one; BO-5 has no gauge, and is dipped."""
    tanks = demo["tanks"]
    tanks["TK-101"]["limits"] |= {"maximum_working": "9.000 m", "high_high": "9.200 m"}
    tanks["J-3"]["limits"] |= {"maximum_working": "5.000 m"}
    del tanks["BO-5"]["level"]
    today = tanks["A-1"]["manual"]["temperature"]["entered"]
    tanks["BO-5"]["manual"] = {"level": {"value": "3.055 m", "entered": today, "expires": "7 d"}}
    demo["site"]["second_person"] = ["product-change"]


@pytest.fixture(scope="module")
def acted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoSite]:
    """One site for all of these: each test acts on another part of it."""
    with DemoSite(tmp_path_factory.mktemp("acts") / "site", change=_altered) as running:
        eventually(lambda: len(running.get("/alarms")["alarms"]) >= 3, "the alarms are raised")
        yield running


def _standing(site: DemoSite, tank: str, alarm: str) -> dict[str, Any]:
    found = [each for each in site.get("/alarms")["alarms"] if (each["tank"], each["alarm"]["name"]) == (tank, alarm)]
    assert len(found) == 1, found
    document: dict[str, Any] = found[0]["alarm"]
    return document


def _done(page: Page, dialog: Node, verb: str) -> str:
    """What is to be done is shown; then it is done, and the gateway's answer read."""
    page.says("What will be done", within=30.0)
    dialog.find("button", verb).click()
    answer = page.says(re.compile("^Done$", re.MULTILINE), within=30.0)
    dialog.find("button", "Close").click()
    page.gone("dialog")
    return answer


def test_an_alarm_is_acknowledged_in_a_name_that_all_others_see(acted: DemoSite, pages: Pages) -> None:
    olga = signed_in(pages(acted.address, PHONE), acted, "olga", "operator", "#/alarms")
    other = pages(acted.address)
    other.open("#/alarms/TK-101")
    # Worst first, and the oldest: as the gateway tells them.
    headings = [node.name for node in olga.all("heading") if node.name.startswith(("TK-101", "J-3"))]
    assert headings[0] == "TK-101 high-high"
    assert set(headings[1:]) == {"TK-101 maximum working", "J-3 maximum working"}
    other.says("1 other alarm of the site is not shown.")
    card = next(each for each in acted.get("/alarms")["alarms"] if each["alarm"]["name"] == "high_high")
    text = other.says("Who has it: nobody yet")
    for told in (card["action"], card["consequence"], card["alarm"]["reason"]["text"]):
        assert told in text
    assert re.search(r"act by \d\d:\d\d, 1[34] min left", text), "15 min of the card, less what has passed"

    olga.find("button", "Acknowledge TK-101: high-high").click()
    dialog = olga.find("dialog")
    olga.says("It will stand in the audit trail as done by olga@page.")
    assert _standing(acted, "TK-101", "high_high")["phase"] == "unacknowledged", "what is shown is not done"
    _done(olga, dialog, "Acknowledge")
    assert (_standing(acted, "TK-101", "high_high")["phase"], _standing(acted, "TK-101", "high_high")["by"]) == (
        "acknowledged",
        "olga@page",
    )
    other.says(re.compile("Who has it: olga@page, since"))
    assert serious_findings(olga) == []
    assert re.search(r"TK-101 +high_high +acknowledged by olga@page", acted.run("alarms"))
    eventually(lambda: audit_when(acted, "olga@page"), "it stands in the audit trail")

    # Aside for two hours, and back: hidden is never gone.
    olga.find("button", "Set aside until … J-3: maximum working").click()
    dialog = olga.find("dialog")
    dialog.find("combobox", "Set aside for").element.send_keys("2 hours")
    dialog.find("button", "Show what it will do").click()
    olga.says("is missing")
    dialog.find("textbox", "Why").type("gauge is being checked")
    dialog.find("button", "Show what it will do").click()
    _done(olga, dialog, "Set aside")
    standing = _standing(acted, "J-3", "maximum_working")
    assert (standing["phase"], standing["by"], standing["why"]) == ("shelved", "olga@page", "gauge is being checked")
    ahead = datetime.fromisoformat(standing["until"]) - datetime.fromisoformat(standing["since"])
    assert ahead.total_seconds() == pytest.approx(7200, abs=2)
    other.go("#/alarms")
    other.says(re.compile("until .*by olga@page “gauge is being checked”"))
    olga.find("button", "Bring back J-3: maximum working").click()
    dialog = olga.find("dialog")
    dialog.find("button", "Show what it will do").click()
    _done(olga, dialog, "Bring back")
    assert _standing(acted, "J-3", "maximum_working")["phase"] == "unacknowledged"

    # The day as it is kept tells all of it.
    other.find("button", "Show the day").click()
    told = other.says(re.compile("olga@page.*gauge is being checked"), within=30.0)
    assert told.count("alarm raised") >= 3


def test_from_the_overview_and_not_twice_where_another_was_quicker(acted: DemoSite, pages: Pages) -> None:
    nora = signed_in(pages(acted.address, PHONE), acted, "nora", "operator")
    needs = nora.find("region", "What needs someone")
    eventually(lambda: needs.all("button", "Acknowledge J-3: maximum working"), "it is offered there")[0].click()
    dialog = nora.find("dialog")
    nora.says("What will be done", within=30.0)
    assert dialog.find("button", "Acknowledge").properties.get("disabled") is not True
    acted.run("enter", "acknowledge", "J-3", "maximum_working")
    by = _standing(acted, "J-3", "maximum_working")["by"]
    nora.says(re.compile(rf"Meanwhile: acknowledged, by {re.escape(by)} at \d\d:\d\d\."))
    assert dialog.find("button", "Acknowledge").properties.get("disabled") is True
    dialog.find("button", "Leave it").click()
    nora.gone("dialog")
    assert _standing(acted, "J-3", "maximum_working")["by"] == by
    nora.says(f"{by} has it")


def test_what_is_raised_anew_is_not_acknowledged_by_who_saw_the_one_before(acted: DemoSite, pages: Pages) -> None:
    ada = signed_in(pages(acted.address), acted, "ada", "administrator")
    ada.expecting("409")
    request = {"action": "acknowledge", "tank": "TK-101", "alarm": "maximum_working", "raised": "2026-11-28T00:00Z"}
    status, answer = ada.promise(_FORGED, request)
    assert (status, answer["code"]) == (409, 1)
    assert "it was raised anew" in answer["lines"][0]
    assert _standing(acted, "TK-101", "maximum_working")["phase"] == "unacknowledged"


def test_whoever_only_looks_is_offered_nothing_and_refused_by_the_gateway(acted: DemoSite, pages: Pages) -> None:
    vic = signed_in(pages(acted.address), acted, "vic", "viewer", "#/alarms")
    vic.expecting("403")
    vic.says("TK-101 maximum working")
    offered = {node.name for node in vic.all("button")}
    assert not [name for name in offered if re.match("Acknowledge|Set aside|Out of service", name)], offered
    vic.go("#/enter/BO-5")
    vic.says("vic may enter nothing here as viewer.")
    for request in (
        {"action": "acknowledge", "tank": "TK-101", "alarm": "maximum_working"},
        {"action": "dip", "tank": "BO-5", "level": "1 m"},
    ):
        status, answer = vic.promise(_FORGED, request)
        assert (status, answer["code"]) == (403, 1), answer
    assert _standing(acted, "TK-101", "maximum_working")["phase"] == "unacknowledged"
    assert acted.inventory("BO-5")["figures"]["level"]["value"] == pytest.approx(3.055)


def _by_terminal(site: DemoSite, *typed: str) -> str:
    """What the terminal says to the same."""
    command = [sys.executable, "-m", "gateway", "enter", *typed]
    done = subprocess.run(command, cwd=ROOT, env=site.environment, capture_output=True, text=True, timeout=40)
    assert done.returncode == 2, done
    return done.stdout + done.stderr


def test_a_dip_changes_the_sheet_and_is_marked_wherever_it_shows(acted: DemoSite, pages: Pages) -> None:
    page = signed_in(pages(acted.address), acted, "olaf", "operator", "#/enter/BO-5")
    page.expecting("422")
    page.find("button", re.compile("^Enter a dip")).click()
    dialog = page.find("dialog")
    text = dialog.text
    assert serious_findings(page) == []
    for caution in ("permit", "Static", "H₂S", "safe area"):
        assert caution in text

    # Refused in the words of the one model for all doors, beside its field.
    level = dialog.find("textbox", re.compile("^Level"))
    level.type("99")
    dialog.find("button", "Show what it will do").click()
    sentence = page.says("is no level in this tank")
    refused = next(line for line in sentence.splitlines() if "is no level in this tank" in line).removeprefix("✗ ")
    assert refused in _by_terminal(acted, "dip", "BO-5", "99 m")
    level = dialog.find("textbox", re.compile("^Level"))
    assert level.properties["invalid"] == "true"
    assert refused in level.description

    level.type("4.250")
    dialog.find("textbox", re.compile("^Why")).type("round at noon")
    dialog.find("button", "Show what it will do").click()
    # Nothing has changed yet, and what will is told: pi 6.000^2/4 x 4.250 m = 120.2 m3.
    shown = page.says(re.compile(r"level above the datum 3\.055 m, Good becomes 4\.250 m, Good"), within=30.0)
    assert "becomes 120.2 m³, Good" in shown
    assert acted.inventory("BO-5")["figures"]["level"]["value"] == pytest.approx(3.055)
    _done(page, dialog, "Enter the dip")

    figures = eventually(
        lambda: (found := acted.inventory("BO-5")["figures"])["level"]["value"] == pytest.approx(4.25) and found,
        "the sheet goes by the dip",
    )
    assert figures["tov"]["value"] == pytest.approx(math.pi * 6.0**2 / 4 * 4.25, rel=1e-9)
    assert figures["level"]["manual"] is True
    page.says(re.compile("BO-5 level: 4.250 m"))
    page.says(re.compile("Entered by olaf@page, .*“round at noon”"))
    page.go("#/")
    page.says(re.compile(r"^BO-5\b[^\0]*?by hand", re.MULTILINE))
    page.go("#/handover")
    row = page.says("round at noon")
    assert re.search(r"BO-5\s+level\s+4\.250 m\s+olaf@page", row)
    listed = acted.run("enter", "list")
    assert re.search(r"BO-5 +level by hand +4\.250 m +olaf@page", listed)

    # Withdrawn, the site file counts again.
    page.go("#/enter/BO-5")
    page.find("button", re.compile("^Withdraw BO-5 level")).click()
    dialog = page.find("dialog")
    dialog.find("textbox", "Why").type("it was C-7")
    dialog.find("button", "Show what it will do").click()
    _done(page, dialog, "Withdraw")
    eventually(
        lambda: acted.inventory("BO-5")["figures"]["level"]["value"] == pytest.approx(3.055), "it counts no more"
    )


def test_does_the_gauge_agree_and_what_came_over_the_wire(acted: DemoSite, pages: Pages) -> None:
    """The technician: the last dips beside the gauge of their moment, every decoding of the words, and who works on
    what until when."""
    tess = signed_in(pages(acted.address), acted, "tess", "administrator")
    gauge = acted.inventory("TK-101")["figures"]["level"]["value"]
    for off_mm in (-30, -10, 2):
        dip = {"action": "dip", "tank": "TK-101", "level": f"{gauge + off_mm / 1000:.4f} m", "why": f"dip {off_mm}"}
        assert tess.promise(_FORGED, dip)[0] == 200
    work = {"action": "maintenance", "instrument": "LT-101", "duration": "2 h", "why": "new head"}
    assert tess.promise(_FORGED, work)[0] == 200
    tess.go("#/tank/TK-101")
    tess.find("heading", "Gauge against dips").click()
    told = tess.says(re.compile("dip 2”[^\0]*dip -10”[^\0]*dip -30”"), within=30.0)
    rows = {row[-1]: row for row in cells(tess, tess.find("region", "Gauge against dips"))}
    shown = {name.split("“")[-1].rstrip("”"): row[3:5] for name, row in rows.items() if "dip" in name}
    # What the gauge reads less the tape, to a millimetre, which both know.
    for off_mm, within in ((2, "fine"), (-10, "inventory, not fine"), (-30, "BEYOND both")):
        difference, tolerance = shown[f"dip {off_mm}"]
        assert abs(int(difference.removesuffix(" mm")) + off_mm) <= 1, shown
        assert tolerance.startswith(within), shown
    assert "Within 4 mm a gauge is fit for fine work, within 25 mm for inventory" in told

    tess.go("#/lines")
    tess.says(re.compile(r"counted since .*\("), within=30.0)
    tess.says(re.compile(r"LT-101[^\0]*in maintenance until (\d+ \w+ )?\d\d:\d\d, tess@page"))
    tess.says(re.compile(r"In maintenance 1\s+\[ LT-101 \][^\0]*new head"))
    tess.find("button", re.compile(r"^\+ LT-101")).click()
    tess.find("button", "every decoding ullage").click()
    words = next(each["raw"] for each in acted.get("/readings")["readings"] if each["signal"] == "ullage")
    # u32 of 0.1 mm, high word first: what the gauge says, among all other ways to read it.
    tess.says(re.compile("uint32 ABCD [0-9]+"))
    assert "float32 CDAB" in tess.text
    assert (words[0] << 16) + words[1] == pytest.approx((15.240 - gauge) * 10_000, abs=100)
    assert tess.promise(_FORGED, {"action": "end-maintenance", "instrument": "LT-101"})[0] == 200


def test_nothing_typed_is_lost_and_nothing_is_done_twice_or_late(acted: DemoSite, pages: Pages) -> None:
    page = signed_in(pages(acted.address), acted, "otto", "operator", "#/enter/BO-5")
    page.expecting("401", "ERR_INTERNET_DISCONNECTED", "ERR_NETWORK_CHANGED")
    page.find("button", re.compile("^Enter a temperature")).click()
    dialog = page.find("dialog")
    dialog.find("textbox", re.compile("^Mean temperature")).type("38.5")
    dialog.find("textbox", re.compile("^Why")).type("read at the valve")

    # The session ends in the middle.
    acted.run("people", "end-sessions", "otto")
    dialog.find("button", "Show what it will do").click()
    page.says("Your session has ended. Sign in again: what you typed stays")
    dialog.find("textbox", "Password").type(PASSWORD)
    dialog.find("button", "Sign in").click()
    page.says("What will be done", within=30.0)

    # Not heard: refused with a sentence, and not kept for later.
    page.offline()
    page.says("OFFLINE", within=15.0)
    dialog.find("button", "Enter the temperature").click()
    page.says("nothing is kept to be done later")
    page.offline(False)
    page.says("live, heard", within=30.0)
    assert "otto@page" not in acted.run("enter", "list")

    # Pressed twice, done once.
    page.says("What will be done")
    dialog.find("button", "Enter the temperature")
    page.script(
        "const buttons = [...document.querySelectorAll('dialog button')];"
        "const own = buttons.find((each) => each.innerText === 'Enter the temperature');"
        "own.click(); own.click();"
    )
    page.says(re.compile("^Done$", re.MULTILINE), within=30.0)
    trail = eventually(lambda: audit_when(acted, "read at the valve"), "it stands in the audit trail")
    assert trail.count("read at the valve") == 1
    dialog.find("button", "Close").click()

    # In another tab somebody else signs in: what one has filled in is not done in the name of the other.
    page.find("button", re.compile("^Enter a temperature")).click()
    dialog = page.find("dialog")
    dialog.find("textbox", re.compile("^Mean temperature")).type("41")
    dialog.find("button", "Show what it will do").click()
    page.says("It will stand in the audit trail as done by otto@page.")
    page.expecting("403")
    signed_in(page.another_tab(), acted, "tessa", "technician")
    dialog.find("button", "Enter the temperature").click()
    page.says("Now tessa (technician) is signed in here, who has not filled this in.")
    assert "41 degC" not in acted.run("enter", "list")
    assert dialog.find("textbox", re.compile("^Mean temperature")).value == "41"

    # Back, as phones have it, leaves it; what was typed is there when it is opened again.
    page.go("#/alarms")
    page.gone("dialog")
    page.go("#/enter/BO-5")
    page.find("button", re.compile("^Enter a temperature")).click()
    page.says("This was typed before and not done.")
    assert page.find("dialog").find("textbox", re.compile("^Mean temperature")).value == "41"


def test_another_person_approves_where_the_site_asks_for_two(acted: DemoSite, pages: Pages) -> None:
    # Who comes in from the terminal after it is asked for does not count as a second person.
    second = signed_in(pages(acted.address), acted, "bert", "accountant")
    first = signed_in(pages(acted.address), acted, "alma", "accountant", "#/enter/BO-5")
    first.find("button", re.compile("^Change the product")).click()
    dialog = first.find("dialog")
    dialog.find("combobox", re.compile("^It holds now")).element.send_keys("diesel")
    dialog.find("textbox", re.compile("^Density")).type("838")
    dialog.find("textbox", "Why").type("cleaned and refilled")
    dialog.find("button", "Show what it will do").click()
    first.says("this site asks for a second person", within=30.0)
    dialog.find("button", "Change the product").click()
    first.says("It waits for a second person", within=30.0)
    dialog.find("button", "Close").click()
    first.says("You asked for it: another person approves it.", within=30.0)
    assert acted.inventory("BO-5")["product"] == "base_oil"

    late = signed_in(pages(acted.address), acted, "lars", "accountant", "#/enter/BO-5")
    late.says("You do not count as a second person here", within=30.0)
    assert not late.all("button", re.compile("^Approve 1"))
    assert serious_findings(late) == []
    # It is seen where everybody looks first, and leads to where it is decided.
    second.says(re.compile(r"1 request waits for a second person .*BO-5, asked for by alma@page"))
    second.find("link", "1 request waits for a second person").click()
    second.find("button", re.compile("^Approve 1")).click()
    dialog = second.find("dialog")
    dialog.find("button", "Show what it will do").click()
    _done(second, dialog, "Approve it")
    eventually(lambda: acted.inventory("BO-5")["product"] == "diesel", "the tank holds it")
    assert "alma@page, approved by bert@page" in acted.run("enter", "list")


def test_where_looking_needs_a_sign_in_a_session_that_ends_loses_nothing_either(tmp_path: Path, pages: Pages) -> None:
    def closed(demo: dict[str, Any]) -> None:
        _altered(demo)
        demo["web"]["view_without_sign_in"] = "no"
        demo["web"]["tokens"] = [{"name": "harness", "secret_file": str(secret)}]

    secret = tmp_path / "secret"
    secret.write_text(ClosedSite.SECRET, "utf-8")
    secret.chmod(0o600)
    with ClosedSite(tmp_path / "site", change=closed) as site:
        page = signed_in(pages(site.address), site, "otto", "operator", "#/enter/BO-5")
        # The gateway breaks the live view off where its session has ended.
        page.expecting("401", "/api/1/live")
        page.find("button", re.compile("^Enter a temperature")).click()
        dialog = page.find("dialog")
        dialog.find("textbox", re.compile("^Mean temperature")).type("38.5")
        site.run("people", "end-sessions", "otto")
        page.says("Sign in to see this site.", within=30.0)
        assert "3.055" not in page.text, "whoever may not look sees no more of the site"
        dialog.find("button", "Show what it will do").click()
        page.says("Your session has ended. Sign in again: what you typed stays")
        dialog.find("textbox", "Password").type(PASSWORD)
        dialog.find("button", "Sign in").click()
        page.says("What will be done", within=30.0)
        _done(page, dialog, "Enter the temperature")
        assert re.search(r"BO-5 +temperature by hand +38\.5 degC +otto@page", site.run("enter", "list"))
