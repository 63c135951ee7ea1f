"""What the page's parts say of figures that the test hands them: beyond the ruler, no longer heard, with vapour."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.page.reading import Page
from tests.page.static_server import WEB
from tests.page.test_live_rows import _PLAYED

_SETUP = """
const { html, render } = await import("/page/code/html.js");
const { speak } = await import("/page/code/words.js");
const { change } = await import("/page/code/taste.js");
const live = await import("/page/code/live.js");
await speak("en");
change({ units: "metric", numbers: "en-GB" });
const box = document.querySelector("main");
const draw = async (...made) => {
  render(html`<div>${made}</div>`, box);
  await new Promise((go) => setTimeout(go, 50));
  return box;
};
"""
FIXED = {
    "product": "lpg",
    "lowest": 0.0,
    "full": 3.0,
    "reference_height": 3.0,
    "limits": [{"limit": "maximum_working", "level": 2.0}],
    "reference_temperature": None,
}


def _iso(instant: datetime) -> str:
    return f"{instant:%Y-%m-%dT%H:%M:%S.%fZ}"


def _figure(value: float | None, unit: str, **more: Any) -> dict[str, Any]:
    return {"v": value, "u": unit, "q": "Bad" if value is None else "Good", **more}


def _row(**more: Any) -> dict[str, Any]:
    now = datetime.now(UTC)
    return {
        "product": "lpg",
        "time": _iso(now),
        "valid_until": _iso(now + timedelta(seconds=60)),
        "quality": "Good",
        "reasons": [],
        "limit_state": "normal",
        "motion": "at_rest",
        "activity": None,
        "times": [],
        "level": _figure(1.5, "m"),
        "mass": _figure(41_318.4, "kg"),
        **more,
    }


def _heard(page: Page, rows: dict[str, Any], **members: Any) -> None:
    page.at_start(_PLAYED)
    page.open("")
    page.promise("(await import('/page/code/live.js')).begin()")
    page.script("__tell('view', arguments[0])", {"time": _iso(datetime.now(UTC)), "tanks": rows, **members})


_RULERS = """
const { Ruler } = await import("/page/code/parts/ruler.js");
const drawn = await draw(
  ...Object.values(arguments[0]).map((row) => html`<${Ruler} row=${row} fixed=${arguments[1]} />`),
);
return [...drawn.querySelectorAll(".ruler")].map((each) => [
  each.getAttribute("aria-label"), each.textContent,
  ...[".stop", ".out"].map((mark) => each.querySelectorAll(mark).length),
]);
"""


def test_a_level_beyond_the_ruler_is_not_drawn_as_a_level_at_its_end(modules: Page) -> None:
    """3.2 m and -0.1 m where the ruler ends at 3 m and 0 m, and both ends themselves; a last good one likewise."""
    levels = {"above": 3.2, "below": -0.1, "full": 3.0, "empty": 0.0}
    rows = {name: _row(level=_figure(level, "m")) for name, level in levels.items()}
    last = {"v": 3.2, "t": _iso(datetime.now(UTC))}
    rows["lost"] = _row(level=_figure(None, "m", last=last))
    _heard(modules, rows)
    above, below, full, empty, lost = modules.promise(_SETUP + _RULERS, rows, FIXED)
    for label, drawn, stops, outs in (full, empty):
        assert (stops, outs) == (1, 0)
        assert "above" not in label + drawn
        assert "below" not in label + drawn
    for (label, drawn, stops, outs), said in ((above, "above the end"), (below, "below the datum")):
        assert (stops, outs) == (0, 1)
        assert said in label
        assert said in drawn
    assert "above the end" in lost[0]
    assert lost[2] == 0


def test_a_ruler_that_nobody_tells_any_more_goes_nowhere(modules: Page) -> None:
    """By itself, wherever it stands: the time to the limit goes, for the eye and for the ear."""
    end = datetime.now(UTC) + timedelta(hours=3)
    times = [{"limit": "maximum_working", "level": 2.0, "in_s": 10_800, "at": _iso(end)}]
    rows = {"B-2": _row(motion="filling", times=times)}
    _heard(modules, rows)
    told = modules.promise(_SETUP + _RULERS, rows, FIXED)[0]
    assert "filling" in told[0]
    assert "maximum working" in told[1].replace("maximum working 2.000 m", "")
    modules.script("__ahead = 20_000")
    later = """
    await new Promise((go) => setTimeout(go, 2500));
    const ruler = document.querySelector(".ruler");
    return [ruler.getAttribute("aria-label"), ruler.textContent, ruler.querySelectorAll(".arrow, .stretch").length];
    """
    label, drawn, going = modules.promise(later)
    assert "filling" not in label
    assert "not live" in label.lower()
    assert "maximum working" not in drawn.replace("maximum working 2.000 m", "")
    assert going == 0


_ROWS_AND_TOTALS = """
const { TankRow } = await import("/page/code/parts/tank_row.js");
const { Totals } = await import("/page/code/parts/totals.js");
const drawn = await draw(
  html`<ul><${TankRow} tag="B-2" fixed=${arguments[0]} /></ul>`,
  html`<p id="sum"><${Totals} product="lpg" /></p>`,
  html`<p id="all"><${Totals} product=${null} /></p>`,
);
return ["ul", "#sum", "#all"].map((each) => drawn.querySelector(each).textContent.replace(/\\s+/g, " "));
"""


@pytest.mark.parametrize("with_vapour", [True, False])
def test_a_mass_with_vapour_says_so_in_row_and_sums_and_old_sums_are_struck(modules: Page, with_vapour: bool) -> None:
    of = {"with_vapour": True} if with_vapour else {}
    total = {
        "figure": "mass",
        "value": 41_318.4,
        "unit": "kg",
        "included": 1,
        "of": 1,
        "holding": 1,
        "estimated": False,
        "reference_temperature": None,
        **of,
    }
    totals = [{"product": product, **total} for product in ("lpg", None)]
    _heard(modules, {"B-2": _row(**of)}, totals=totals)
    for said in modules.promise(_SETUP + _ROWS_AND_TOTALS, FIXED):
        assert "41.3 t" in said
        assert ("mass incl. vapour 41.3" in said) is with_vapour
    assert modules.script("return document.querySelectorAll('.total .struck').length") == 0
    modules.script("__ahead = 20_000")
    modules.promise("await new Promise((go) => setTimeout(go, 2500))")
    assert modules.script("return document.querySelectorAll('.total .struck').length") == 2


def test_a_reference_temperature_has_one_name_in_every_unit(modules: Page) -> None:
    """60 degF is no 15.6 degC to a metric reader, nor 15 degC 59 degF to another: numbers.js alone words it."""
    named = """
    const { change } = await import("/page/code/taste.js");
    const { referenceText } = await import("/page/code/numbers.js");
    return ["metric", "us", "imperial"].map((units) => {
      change({ units, numbers: "de" });
      return [15, 20, 15.5555555555556, 15.56, 12.5, null].map(referenceText);
    });
    """
    wanted = ["15 °C", "20 °C", "60 °F", "60 °F", "12,5 °C", ""]
    assert modules.promise(named) == [wanted] * 3
    for file in (WEB / "page" / "code").rglob("*.js"):
        assert 'reference.value, "temperature")' not in file.read_text(encoding="utf-8"), file.name


_AGES = """
const { TankRow } = await import("/page/code/parts/tank_row.js");
const { Head } = await import("/page/code/views/tank/head.js");
const [tag, fixed] = arguments;
const drawn = await draw(
  html`<ul><${TankRow} tag=${tag} fixed=${fixed} /></ul>`,
  html`<${Head} tag=${tag} fixed=${fixed} row=${live.row(tag).value} why=${[]} />`,
);
return ["ul", ".tank-head"].map((each) => drawn.querySelector(`${each} time`).textContent);
"""


def test_a_tank_is_as_old_as_what_it_rests_on_and_not_as_its_sheet(modules: Page) -> None:
    """A gauge that is silent for 70 s under a sheet of now; one that is lost, by its last good value; what was entered
    long ago is by hand, and no age."""
    now = datetime.now(UTC)
    silent = _figure(1.5, "m", q="Uncertain", t=_iso(now - timedelta(seconds=70)))
    entered = _figure(20.0, "degC", q="Uncertain", manual=True, t=_iso(now - timedelta(hours=5)))
    lost = _figure(None, "m", q="Bad", last={"v": 1.5, "t": _iso(now - timedelta(seconds=100))})
    _heard(
        modules,
        {
            "OLD": _row(level=silent, temperature=entered),
            "NEW": _row(temperature=entered),
            "LOST": _row(level=lost, temperature=entered, quality="Bad"),
        },
    )
    for tag, least in (("OLD", 70), ("NEW", 0), ("LOST", 100)):
        for said in modules.promise(_SETUP + _AGES, tag, FIXED):
            assert least <= int(said.split()[0]) < least + 30, (tag, said)


def test_an_uncertain_rate_says_why(modules: Page) -> None:
    rate = {"v": -0.02, "u": "m3/s", "q": "Uncertain", "r": {"code": "too_soon", "text": "over 2 min so far"}}
    _heard(modules, {"B-2": _row(motion="emptying", rate=rate)}, totals=[])
    row, _, _ = modules.promise(_SETUP + _ROWS_AND_TOTALS, FIXED)
    # 0.02 m3/s are 72 m3/h; the word says which way.
    assert "emptying 72? m³/h" in row
    assert "over 2 min so far" in row
