"""What the shift operator, the loader, the planner and the site manager ask of the page, answered by looking at it.

What is right comes from the simulated tanks themselves and from geometry: upright cylinders with flat bottoms, of
18 m (TK-101), 12 m (J-3) and 32 m (F-1). Questions of the other users are walked in the tests that the guide's table
names.
"""

import getpass
import math
import re
from collections.abc import Iterator
from functools import partial
from typing import Any

import pytest
import yaml

from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.site_process import DemoSite, eventually

FACTOR = 30.0
_SCENARIO: dict[str, Any] = {
    "include": "ten_tanks.yaml",
    "time_factor": FACTOR,
    "tick": "0.1 s",
    "movements": [
        {"tank": "F-1", "at": "0 s", "flow": "600 m3/h", "temperature": "59.3 degC", "until_level": "14.9 m"},
        {"tank": "TK-101", "at": "0 s", "flow": "-60 m3/h", "until_level": "2.5 m"},
    ],
}
LIVE = re.compile(r"live, heard \d+ s ago")


def _area(diameter_m: float) -> float:
    return math.pi * diameter_m**2 / 4


@pytest.fixture(scope="module")
def shift(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DemoSite]:
    """The demo's tanks, 30 times as fast as outside: heavy fuel comes in, diesel goes out, the others stand still."""
    folder = tmp_path_factory.mktemp("shift")
    scenario = folder / "shift.yaml"
    scenario.write_text(yaml.safe_dump(_SCENARIO, sort_keys=False), "utf-8")

    def slower(site: dict[str, Any]) -> None:
        # By the site's clock: a busy machine need not answer 16 instruments 15 times a second.
        for instrument in site["instruments"].values():
            instrument["period"] = "30 s"

    with DemoSite(folder, scenario=str(scenario), change=slower, time_factor=FACTOR) as running:
        yield running


@pytest.fixture
def overview(pages: Pages, shift: DemoSite) -> Page:
    page = pages(shift.address)
    page.open()
    page.says(LIVE)
    return page


def _row(page: Page, tank: str) -> str:
    """What is painted of a tank, on one line."""
    told = page.script(
        "return [...document.querySelectorAll('.tank-row')]"
        ".find((row) => row.querySelector('.tag').textContent === arguments[0])?.innerText ?? ''",
        tank,
    )
    return " ".join(str(told).split())


def _number(text: str, name: str, unit: str) -> float:
    found = re.search(rf"{name} (-?[\d,]+(?:\.\d+)?)\?? {re.escape(unit)}", text)
    assert found, f"{name} in {unit}: {text}"
    return float(found[1].replace(",", ""))


def test_when_do_i_stop_and_at_which_rate(overview: Page, shift: DemoSite) -> None:
    """Filling: which limit, by the clock and from now, at which rate; within 5 % after 5 minutes (capability 23)."""
    course = re.compile(
        r"filling (\d[\d,]*) m³/h (?:\d+ \w+ )?(\d\d):(\d\d) maximum working \((\d+) h (\d\d) min left\)"
    )

    def told() -> tuple[float, re.Match[str]] | None:
        level = shift.instruments.ask(lambda running: running.tank("F-1").level_m)
        found = course.search(_row(overview, "F-1"))
        # The mean of five minutes, all of them of this movement: 10 s here.
        return (level, found) if found and abs(float(found[1].replace(",", "")) - 600.0) <= 30.0 else None

    seen = eventually(told, "a rate of 600 m3/h and a time", 50.0)
    assert seen
    level, found = seen
    left_min = (14.2 - level) * _area(32.0) / 600.0 * 60.0
    told_min = int(found[4]) * 60 + int(found[5])
    # A period of 30 s has gone by since it was calculated, and what a busy machine adds.
    assert abs(told_min - left_min) <= 0.05 * left_min + 2.0, (told_min, left_min)
    shown = re.search(r"(\d\d):(\d\d):\d\d UTC", overview.text)
    assert shown
    by_clock = (int(found[2]) - int(shown[1])) * 60 + int(found[3]) - int(shown[2])
    assert abs(by_clock % 1440 - told_min) <= 5.0, (found[0], shown[0])
    # It stands where one looks for it, and what stands still does not.
    moves = overview.find("region", "What moves")
    assert [tag for tag in ("F-1", "TK-101", "J-3") if tag in moves.text.split()] == ["F-1", "TK-101"]
    assert any("14.200 m" in each.name and "maximum working" in each.name for each in moves.all("image"))


def test_will_it_fit_and_is_there_enough(overview: Page, shift: DemoSite) -> None:
    """Room to maximum working and what can be pumped above the minimum, never more than there is."""
    eventually(lambda: "room" in _row(overview, "J-3"), "the row of J-3")
    row = _row(overview, "J-3")
    level = shift.instruments.ask(lambda running: running.tank("J-3").level_m)
    # The gauge knows a millimetre; 0.1 m3 is told.
    known = 0.001 * _area(12.0) + 0.1
    assert _number(row, "room", "m³") == pytest.approx((9.6 - level) * _area(12.0), abs=known)
    assert _number(row, "pumpable", "m³") == pytest.approx((level - 1.1) * _area(12.0), abs=known)
    document = shift.inventory("J-3")["figures"]
    for name in ("room", "pumpable"):
        assert 0 <= document[name]["value"] - _number(row, name, "m³") < 0.1 + 1e-9


def test_is_a_quiet_tank_moving_and_is_it_live(overview: Page, shift: DemoSite) -> None:
    for tank in ("J-3", "BO-5"):
        eventually(partial(_row, overview, tank), f"the row of {tank}")
        age = re.search(r"(Good|Uncertain).*?(\d+) s ago", _row(overview, tank))
        assert age, _row(overview, tank)
        # One period of 30 s by the site's clock, and what a busy machine adds: 30 s for each of its own.
        assert int(age[2]) <= 600
    overview.go("#/tank/J-3")
    overview.says("At rest")
    assert shift.get("/inventories")
    overview.go("#/tank/F-1")
    overview.says(re.compile("Filling", re.IGNORECASE))


def test_opening_figures_have_the_digits_that_are_known(pages: Pages, shift: DemoSite) -> None:
    """Level to 1 mm, temperature to 0.1 degC, water, and volumes at their reference temperature."""
    page = pages(shift.address)
    page.open("#/tank/J-3")
    page.says(re.compile(r"GSV at 15 °C\s+\d"))
    page.says("Free-water level")
    figures = shift.inventory("J-3")["figures"]
    text = " ".join(page.text.split())
    assert re.search(rf"Level above the datum {figures['level']['value']:.3f} m", text)
    assert re.search(rf"Average liquid temperature {figures['liquid_temperature']['value']:.1f} °C", text)
    assert re.search(rf"Free-water level {figures['water_level']['value']:.3f} m", text)
    assert re.search(rf"GSV at 15 °C {figures['gsv']['value']:.1f}\?? m³", text)
    assert "Monitoring only" in text
    assert "SIMULATED" in text


def test_is_anything_wrong_and_what_do_the_sums_leave_out(pages: Pages, overview: Page, shift: DemoSite) -> None:
    """A gauge falls silent: it stands first among what needs someone, and the sums say what they lack.

    On a phone the same, with what needs someone above all else.
    """
    gauge = "XT-C7"
    shift.instruments.ask(lambda running: running.set_fault(gauge, "silence"))
    try:
        needs = overview.find("region", "What needs someone")
        overview.says(re.compile(r"C-7\s+no level"), within=40.0)
        standing = [each for each in shift.get("/alarms")["alarms"] if each["alarm"]["phase"] == "unacknowledged"]
        shown = needs.text
        for each in standing:
            assert each["tank"] is None or each["tank"] in shown, (each, shown)
        assert "Nothing needs anyone" not in shown
        assert re.search(r"1 without a value", shown)
        eventually(lambda: "no value" in _row(overview, "C-7"), "C-7 has no value", 20.0)
        row = _row(overview, "C-7")
        assert "Bad" in row
        assert not re.search(r"level -?0\.000", row)
        # Of the product, and of all: 9 of 10, with the one that is missing.
        overview.says(re.compile(r"0 of 1 tanks"))
        overview.go("#/stock")
        overview.says(re.compile(r"9 of 10 tanks"))
        phone = pages(shift.address, Look(width=360, height=740))
        phone.open()
        phone.says(re.compile(r"C-7\s+no level"))
        order = phone.text
        assert order.index("What needs someone") < order.index("What moves") < order.index("Everything else")
        worst = phone.find("region", "What needs someone").find("link", "no level").element
        assert worst.rect["y"] < 740, "it is seen without scrolling"
        # With its small trends, which are there when two steps of ten minutes are kept, it is no wider than the phone.
        eventually(partial(_has_small_trends, shift), "small trends", 90.0)
        phone.open()
        shown_trend = "return document.querySelector('.small-trend') !== null"
        eventually(partial(phone.script, shown_trend), "a small trend is drawn", 20.0)
        assert phone.script("return document.documentElement.scrollWidth") <= 360
    finally:
        shift.instruments.ask(lambda running: running.clear_fault(gauge))


def _has_small_trends(site: DemoSite) -> bool:
    trends = site.get("/api/1/small-trends")["tanks"].values()
    return any(sum(level is not None for level in each["last"]) > 1 for each in trends)


def test_can_we_take_the_ship_by_product(pages: Pages, shift: DemoSite) -> None:
    """Room by product, as the report of the stock has it."""
    page = pages(shift.address)
    page.open("#/stock")
    page.says("By product")
    row = page.script(
        "const table = [...document.querySelectorAll('table')].find((each) => each.innerText.includes('Room'));"
        "const names = [...table.querySelectorAll('thead th')].map((each) => each.innerText);"
        "const rows = [...table.querySelectorAll('tbody tr')];"
        "const { children } = rows.find((each) => each.innerText.startsWith('jet'));"
        "return children[names.findIndex((name) => name.startsWith('Room'))].innerText;"
    )
    assert float(row.replace(",", "").partition("?")[0]) == pytest.approx((9.6 - 5.12) * _area(12.0), abs=0.3)


def test_what_is_left_for_the_next_shift_stands_on_one_page(pages: Pages, shift: DemoSite) -> None:
    """Anything left in maintenance? What happened? On the page for the handover, with owner, end and reason; and the
    overview counts it."""
    shift.run("enter", "maintenance", "IO-BO5", "--for", "8 h", "--why", "loop check")
    page = pages(shift.address)
    page.open("#/handover")
    page.says("IO-BO5")
    page.says("loop check")
    # Who it was: whoever runs this test, as the terminal names people.
    page.says(getpass.getuser())
    page.go("#/")
    page.says("1 in maintenance")
    eventually(lambda: "[ in maintenance ]" in _row(page, "BO-5"), "its row says so")
