"""What the page says of what it has not been told: nothing of it stands as if it were known, and nothing is hidden."""

from typing import Any

from tests.page.reading import Page

_DRAWN = """
const { html, render } = await import("/page/code/html.js");
const { speak } = await import("/page/code/words.js");
const { link, site, tags, top } = await import("/page/code/live.js");
await speak("en");
const main = document.querySelector("main");
render(null, main);
const now = async (change) => {
  change();
  await new Promise((go) => setTimeout(go, 50));
  return main.innerText;
};
"""


def _heard(page: Page, code: str, *arguments: object) -> Any:
    return page.promise(_DRAWN + code, *arguments)


def test_no_transfer_is_said_to_be_open_once_it_is_known(modules: Page) -> None:
    """Where what is fixed has come and the view has not, as behind a proxy that holds the stream back."""
    before, unkept, none = _heard(
        modules,
        """
        const { OpenTransfers } = await import("/page/code/parts/totals.js");
        render(html`<${OpenTransfers} />`, main);
        return [
          await now(() => {}), await now(() => top("transfers").set(null)), await now(() => top("transfers").set([])),
        ];
        """,
    )
    assert "No transfer is open." not in unkept
    assert "No transfers are kept: there is no ledger, or it has not been read yet." in unkept
    assert "No transfer is open." not in before
    assert "Loading" in before
    assert "No transfer is open." in none


def test_a_gateway_of_another_version_than_the_page_is_told(modules: Page) -> None:
    """A screen on a wall is loaded once in a year: what a newer gateway tells it may have a word for, or not."""
    first, gone, other = _heard(
        modules,
        """
        const { Strip } = await import("/page/code/parts/strip.js");
        render(html`<${Strip} />`, main);
        const told = (version) => ({ name: "Port Nowhere", time_zone: "UTC", version });
        return [
          await now(() => site.set(told("1.4.0"))),
          await now(() => site.set(null)),
          await now(() => site.set(told("1.5.0"))),
        ];
        """,
    )
    assert "load it anew" not in first + gone
    assert "The gateway is of version 1.5.0 now, and this page of 1.4.0: load it anew." in other


_ALARMS = """
const { AlarmsView } = await import("/page/code/views/alarms.js");
site.set({ name: "Port Nowhere", time_zone: "UTC", version: "1.4.0", tanks: { "T-1": {} } });
tags.set(["T-1"]);
link.set("live");
const alarm = {
  name: "high", kind: "high", phase: "unacknowledged", priority: "now", active: true, order: 1, by: null, why: null,
  until: null, since: "2026-11-29T01:00:00Z", raised: "2026-11-29T01:00:00Z", value: null, reason: null,
  ...arguments[1],
};
top("alarms").set([{ tank: "T-1", alarm, consequence: "it runs over", action: "stop the pump", response_s: 600 }]);
render(html`<${AlarmsView} rest=${arguments[0]} />`, main);
return await now(() => {});
"""


def test_whoever_asks_for_the_alarms_of_a_tank_that_is_not_there_sees_all(modules: Page) -> None:
    """An address that was kept, and a tank that has been called otherwise since."""
    modules.expecting("404", "/api/1/")
    for rest in ([], ["T-1"], ["T-2"]):
        text = _heard(modules, _ALARMS, rest, {})
        assert "stop the pump" in text, rest
        assert "Nothing needs anyone." not in text
    assert "stop the pump" not in _heard(modules, _ALARMS, ["gateway"], {})


def test_an_alarm_of_a_phase_that_the_page_has_no_word_for_is_not_hidden(modules: Page) -> None:
    modules.expecting("404", "/api/1/")
    text = _heard(modules, _ALARMS, [], {"phase": "latched"})
    assert "stop the pump" in text
    assert "Nothing needs anyone." not in text


_DAY = """
const { DayOfAlarms } = await import("/page/code/parts/day_of_alarms.js");
site.set({ name: "Port Nowhere", time_zone: "UTC", version: "1.4.0", tanks: {} });
const event = (number) => ({
  kind: "alarm_raised", time: "2026-11-28T01:00:00Z", number, identity: { boot: "b", sequence: 1, tank: "T-1" },
  subject: "high", alarm: { priority: "now" }, by: null, reason: null,
});
let number = 0;
const real = window.fetch;
window.fetch = async () => {
  const events = Array.from({ length: arguments[0] }, () => event((number += 1)));
  const body = { events, before: arguments[0] ? 7 : null, unreadable: arguments[1], sentences: [] };
  return new Response(JSON.stringify(body));
};
render(html`<${DayOfAlarms} tank="T-1" />`, main);
main.querySelector("button").click();
const isThere = () => main.querySelector("table, .wrong") || main.innerText.includes("Nothing is kept");
for (let turn = 0; turn < 100 && !isThere(); turn += 1) await now(() => {});
window.fetch = real;
return [main.innerText.split("When")[0], main.querySelectorAll("tbody tr").length];
"""


def test_a_day_of_alarms_says_what_of_it_is_not_shown(modules: Page) -> None:
    """Of a day with more than are drawn, and of one whose events are kept and cannot be read."""
    text, rows = _heard(modules, _DAY, 500, 0)
    assert rows == 2000
    assert "T-1: only the newest 2000 of that day are shown" in text
    text, rows = _heard(modules, _DAY, 0, 3)
    assert rows == 0
    assert "T-1: 3 events of that day cannot be read" in text
    assert "Nothing is kept" not in text


_MAINTENANCE = """
const { InMaintenance } = await import("/page/code/parts/in_force.js");
const tank = { instruments: { level: "LT-1" }, fed_by: ["LT-1", "FT-1"] };
site.set({ name: "Port Nowhere", time_zone: "UTC", version: "1.4.0", tanks: { "T-1": tank, "T-2": { fed_by: [] } } });
const at = "2026-11-29T01:00:00Z";
const entries = [{ quantity: "maintenance", about: "FT-1", by: "tess@page", at, ends: at, why: "" }];
render(html`<${InMaintenance} entered=${{ document: { entries }, wrong: null }} tank=${arguments[0]} />`, main);
return await now(() => {});
"""


def test_a_flow_meter_in_maintenance_stands_with_its_tank(modules: Page) -> None:
    """While somebody works on it, a gauge that sticks is not found out by it."""
    assert "FT-1" in _heard(modules, _MAINTENANCE, "")
    assert "FT-1" in _heard(modules, _MAINTENANCE, "T-1")
    other = _heard(modules, _MAINTENANCE, "T-2")
    assert "FT-1" not in other
    # Whoever asks what is left in maintenance before he goes home is not told that nothing is.
    assert "No instrument is in maintenance." not in other
    assert "1 other instrument of the site is in maintenance." in other


_TOTALS = """
const { row } = await import("/page/code/live.js");
const { Totals } = await import("/page/code/parts/totals.js");
const tanks = { "T-1": { product: "jet" }, "T-2": { product: "jet" }, "T-3": { product: "diesel" } };
site.set({ name: "Port Nowhere", time_zone: "UTC", version: "1.4.0", tanks });
tags.set(Object.keys(tanks));
link.set("live");
const total = (product) => ({ product, figure: "mass", value: 1000, unit: "kg", included: 1, of: 1, holding: 1 });
top("totals").set([total("jet"), total("diesel"), total(null)]);
row("T-1").set({ product: "jet" });
row("T-3").set({ product: "diesel" });
const shown = async (product) => (render(html`<${Totals} product=${product} />`, main), await now(() => {}));
const before = [await shown("jet"), await shown("diesel"), await shown(null)];
row("T-2").set({ product: "jet" });
await new Promise((go) => setTimeout(go, 1100));
return [...before, main.innerText];
"""


def test_a_sum_says_that_a_tank_is_not_in_it_that_has_not_been_read(modules: Page) -> None:
    """Soon after a start the gateway tells nothing of it, and counts it nowhere."""
    jet, diesel, whole, after = _heard(modules, _TOTALS)
    assert "1 of 1 tanks" in jet
    assert "1 has not been read yet" in jet
    assert "1 has not been read yet" in whole
    assert "not been read" not in diesel + after


_LINES_LOST = """
const { Overview } = await import("/page/code/views/overview.js");
site.set({ name: "Port Nowhere", time_zone: "UTC", version: "1.4.0", tanks: {} });
link.set("live");
const since = "2026-11-29T01:00:00Z";
const lost = (line) => ({
  tank: null, consequence: "nothing is read there", action: "look at the line", response_s: null,
  alarm: {
    name: `line_lost.${line}`, kind: "line_lost", phase: "returned", priority: "soon", active: false, order: null,
    by: null, why: null, until: null, since, raised: since, value: null, reason: null,
  },
});
top("alarms").set([lost("bus-a"), lost("yard")]);
render(html`<${Overview} />`, main);
await now(() => {});
return [...main.querySelectorAll("li.need a:not(.tag)")].map((each) => each.innerText);
"""


def test_an_alarm_of_a_line_that_is_over_says_of_which(modules: Page) -> None:
    """It has no reason any more, and two of them are not one."""
    modules.expecting("404", "/api/1/")
    assert _heard(modules, _LINES_LOST) == ["line lost: bus-a", "line lost: yard"]
