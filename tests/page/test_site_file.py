"""The site file on the page: checked, proposed by one, approved by another, taken over, and gone back from.

Beside it what the gateway itself says, the file on the disk, and the volume of a cylinder.
"""

import math
import re
from pathlib import Path

import pytest
from selenium.webdriver.common.keys import Keys

from tests.page.axe import serious_findings
from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.signing_in import audit_when, signed_in
from tests.page.site_process import DemoSite, eventually
from tests.page.test_for_everyone import _SIDEWAYS, _SMALL_TARGETS, TARGET_PX

AREA = "The site file as it lies on the disk, to be written on"
PHONE = Look(360, 740, dark=True)
TABLE = """# name: TK-101, strapping of 2026
# level: mm
# volume: m3
# datum: datum plate
# date: 2026-10-01
# reference temperature: 15 degC
# liquid head: not included
# roof: not included
# heel: none
level,volume
0,0
5000,1275
10000,2550
14600,3723
"""


_OFFLINE = "The gateway is not heard, so that nothing can be done here now"
_FOCUS_AFTER = """
arguments[0].click();
for (let turn = 0; turn < 20; turn += 1) await Promise.resolve();
return document.activeElement.textContent;
"""
"""Before the browser has painted anything: no timer and no frame has come."""


def _given(page: Page, text: str, folder: Path) -> None:
    """In the place of what is written, out of a file of this device."""
    page.find("textbox", AREA)
    file = folder / "mine.yaml"
    file.write_text(text, "utf-8")
    page.script("return document.querySelector('#site-area').parentNode.querySelector('input[type=file]')").send_keys(
        str(file)
    )
    eventually(lambda: page.script("return document.querySelector('#site-area').value") == text, "it is taken")


def _row(page: Page, tank: str, figure: str) -> list[str]:
    found: list[str] = page.script(
        """
        const rows = [...document.querySelectorAll(".site-check tbody tr")];
        const first = rows.findIndex((row) => row.querySelector("th")?.textContent === arguments[0]);
        const row = rows.slice(first).find((each) => each.cells[0].textContent === arguments[1]);
        return [...row.cells].slice(-3).map((cell) => cell.innerText);
        """,
        tank,
        figure,
    )
    return found


def _act(page: Page, opens: str, why: str, verb: str, *, cautions: bool = True) -> str:
    page.find("button", opens).click()
    dialog = page.find("dialog")
    if cautions:
        assert "where required licensed, people" in dialog.text
    if why:
        dialog.find("textbox", re.compile("^Why")).type(why)
    # What comes next has the focus, and is scrolled to, before anybody can tap on it: where that came later, a tap on a
    # slow phone fell beside the button.
    looks = dialog.find("button", "Show what it will do").element
    assert page.promise(_FOCUS_AFTER, looks) == "What will be done"
    dialog.find("button", verb).click()

    def done() -> str:
        text = page.text
        if _OFFLINE in text:
            # A busy machine may not be heard for some seconds: then nothing was sent, and it is pressed again.
            dialog.find("button", verb).click()
        return text if re.search("^Done$", text, re.MULTILINE) else ""

    try:
        answer = eventually(done, "", 60.0)
    except AssertionError:
        raise AssertionError(f"{verb} is not done: {dialog.text}") from None
    dialog.find("button", "Close").click()
    page.gone("dialog")
    return answer


@pytest.mark.timeout(400)
def test_a_site_file_is_changed_by_two_people_and_goes_back(own_site: DemoSite, pages: Pages, tmp_path: Path) -> None:
    # Who comes in from the terminal after it is proposed does not count as a second person.
    bob = signed_in(pages(own_site.address, PHONE), own_site, "bob", "administrator", "#/site")
    ada = signed_in(pages(own_site.address), own_site, "ada", "administrator", "#/site")
    before = own_site.site_file.read_text("utf-8")
    ada.says("It was put there on the machine.")

    # Every mistake, each leading to its line.
    assert before.count("diameter: 18.000 m") >= 1
    wrong = before.replace("diameter: 18.000 m", "diametre: 18.000 m", 1)
    _given(ada, wrong, tmp_path)
    ada.find("button", "Check it").click()
    ada.says("did you mean 'diameter'?", within=40.0)
    number = wrong[: wrong.index("diametre")].count("\n") + 1
    ada.find("button", f"Line {number}").click()
    marked = ada.script(
        "const area = document.activeElement; return area.value.slice(area.selectionStart, area.selectionEnd)"
    )
    assert marked.strip() == "diametre: 18.000 m"
    assert not ada.all("button", "Propose it …")
    assert serious_findings(ada) == []

    # What would change in today's figures: pi/4 (18.1^2 - 18^2) m2 times the level.
    wanted = before.replace("diameter: 18.000 m", "diameter: 18.100 m", 1)
    _given(ada, wanted, tmp_path)
    ada.find("button", "Check it").click()
    ada.says("No mistake was found.", within=40.0)
    ada.says("tank TK-101 changed: capacity")
    level = float(re.findall(r"[\d.]+", _row(ada, "TK-101", "level")[0])[0])
    told = float(re.findall(r"[\d.]+", _row(ada, "TK-101", "TOV")[2])[0])
    assert told == pytest.approx(math.pi / 4 * (18.1**2 - 18.0**2) * level, abs=0.06)
    assert _row(ada, "TK-101", "level")[2] == "the same"
    assert own_site.site_file.read_text("utf-8") == before
    assert serious_findings(ada) == []

    # Another person, who sees what it changes.
    _act(ada, "Propose it …", "measured anew at the last opening", "Propose")
    ada.says("Proposal 1 of ada@page")
    ada.says("This is your own proposal: another person approves it.")
    assert not ada.all("button", "Approve it …")
    late = signed_in(pages(own_site.address), own_site, "late", "administrator")
    late.find("link", "A changed site file waits for a second person").click()
    late.find("button", "Look at what it changes").click()
    late.says("You do not count as a second person here", within=40.0)
    assert not late.all("button", "Approve it …")
    assert serious_findings(late) == []
    bob.go("#/")
    bob.go("#/site")
    bob.find("button", "Look at what it changes").click()
    text = bob.says("No mistake was found.", within=40.0)
    assert "diameter: 18.000 m" in text
    assert "diameter: 18.100 m" in text
    assert "Why: measured anew at the last opening" in text
    assert serious_findings(bob) == []
    assert bob.script(_SMALL_TARGETS, TARGET_PX) == []
    over, what = bob.script(_SIDEWAYS)
    assert (over <= 0, what) == (True, []), (over, what)
    answer = _act(bob, "Approve it …", "", "Approve")
    assert "the site file of ada@page, approved by bob@page, is in its place and taken over" in answer
    assert own_site.site_file.read_text("utf-8") == wanted
    bob.says("Proposed by ada@page, approved by bob@page.")
    eventually(lambda: audit_when(own_site, "ada@page, approved by bob@page"), "it stands in the audit trail")
    eventually(lambda: abs(_diameter(own_site) - 18.1) < 0.02, "the gateway goes by it")

    # And back, likewise.
    _act(bob, "Go back to it … 1", "it was another tank", "Propose")
    ada.go("#/")
    ada.go("#/site")
    ada.find("button", "Look at what it changes").click()
    ada.says("No mistake was found.", within=40.0)
    _act(ada, "Approve it …", "so it was", "Approve")
    assert own_site.site_file.read_text("utf-8") == before

    # What is typed keeps the ends of lines that are there.
    own_site.site_file.write_bytes(before.replace("\n", "\r\n").encode())
    own_site.run("reload")
    ada.go("#/")
    ada.go("#/site")
    ada.find("textbox", AREA).element.send_keys(Keys.CONTROL + Keys.END, Keys.NULL, "# typed")
    ada.find("button", "Check it").click()
    ada.says("It changes nothing.", within=40.0)
    _act(ada, "Propose it …", "a remark", "Propose")
    bob.go("#/")
    bob.go("#/site")
    bob.find("button", "Look at what it changes").click()
    bob.says("# typed", within=40.0)
    _act(bob, "Approve it …", "", "Approve")
    assert own_site.site_file.read_bytes() == (before.replace("\n", "\r\n") + "# typed").encode()

    # A table is checked and compared: 255 m3 a metre against pi/4 18^2.
    (tmp_path / "tk-101-2026.csv").write_text(TABLE, "utf-8")
    ada.go("#/")
    ada.go("#/site")
    ada.find("combobox", "Tank").element.send_keys("TK-101")
    ada.script("return document.querySelector('input[accept^=\".csv\"]')").send_keys(str(tmp_path / "tk-101-2026.csv"))
    ada.find("button", "Check the table").click()
    ada.says(f"Furthest apart at 14.600 m: +{3723 - math.pi / 4 * 18**2 * 14.6:.3f} m³", within=40.0)
    ada.find("button", "Put it beside what I write").click()
    ada.says("New tables that go with it:")
    # Whoever approves it sees what stands in it, and what the tank would hold by it.
    own = re.compile(r"shape:\s+kind: upright_cylinder\s+diameter: 18\.000 m\s+height: [\d.]+ m(?=\n)")
    area = "document.querySelector('#site-area')"
    text = ada.script(f"return {area}.value")
    assert own.search(text), "the tank of the table has a shape"
    _given(ada, own.sub("capacity_table: tk-101-2026.csv", text, count=1), tmp_path)
    ada.find("button", "Check it").click()
    ada.says("tank TK-101 changed: capacity", within=40.0)
    _act(ada, "Propose it …", "strapped anew", "Propose")
    bob.go("#/")
    bob.go("#/site")
    bob.find("button", "Look at what it changes").click()
    bob.says(re.compile(r"First row 0\.000 m: 0\.000 m³\. Last row 14\.600 m: 3,?723\.000 m³\. 4 rows\."), within=40.0)
    assert bob.script(_SMALL_TARGETS, TARGET_PX) == []
    over, what = bob.script(_SIDEWAYS)
    assert (over <= 0, what) == (True, []), (over, what)

    # Nobody else.
    viewer = signed_in(pages(own_site.address), own_site, "vi", "technician", "#/site")
    viewer.says("The site file is for administrators.")
    assert not viewer.all("link", "Site file")
    viewer.expecting("403")
    refused = viewer.promise("return (await fetch('/api/1/site-file')).status")
    assert refused == 403


def _diameter(site: DemoSite) -> float:
    """Of an upright cylinder whose newest inventory it is."""
    figures = site.inventory("TK-101")["figures"]
    return math.sqrt(figures["tov"]["value"] / figures["level"]["value"] * 4 / math.pi)
