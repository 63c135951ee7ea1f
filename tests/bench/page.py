"""The page in a real browser, on 500 tanks that change every 2 s: how soon it is there, how soon a change is seen, and
what the tab holds.

The first view: from the start of the navigation of a browser that has kept nothing until the overview is live with its
groups, their totals and the names of all tanks, and a frame was drawn after that. Then the group of all tanks is
opened, and its rows stay open for the rest. A change: from the time that the record bears, when the tank was
calculated, until the frame after its row has changed. Browser and gateway share the machine's clock.

What the tab holds is looked at each minute after collections of garbage, with all rows open: for three minutes, or for
an hour if `long`. How it grows is told as the slope of a straight line (least squares) from the fifth minute on, or
from the first where there are no more: before that compiled code and the first day's trends are still to come.
"""

import json
import os
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from statistics import linear_regression, median
from tempfile import TemporaryDirectory
from typing import Any

import psutil
import yaml

from gateway.process.memory_file import DIRECTORY_VARIABLE
from simulators.fleet import describe, fleet
from tests.bench import processes
from tests.bench.fleet_site import site_text
from tests.page.browser import Browser
from tests.page.reading import Look, Page
from tests.page.site_process import eventually
from tests.support.mosquitto import free_port

__all__ = ["measure"]

TANKS = 500
PER_LINE = 50
PERIOD_S = 2.0
FIRST_VIEW_GOAL_MS = 1000.0
PIXEL_GOAL_MS = 250.0
LOAD_GOAL_KB = 100.0
_READY_S = 60.0
_SETTLED_MIN = 5
"""Minutes after which a tab holds what it holds."""
_FIRST = """
window.__first = null;
(function look() {
  const known = document.querySelector(".strip:not(.doubt)") && document.querySelector(".total")
    && document.querySelectorAll(".groups li").length >= %d;
  if (known) setTimeout(() => { window.__first = performance.now(); });
  else requestAnimationFrame(look);
})();
"""
_OPENED = """
const begun = performance.now();
document.querySelector(".groups summary").click();
for (;;) {
  await new Promise(requestAnimationFrame);
  const rows = [...document.querySelectorAll(".groups .tank-row")];
  if (rows.filter((row) => row.querySelector(".figure:not(.quiet)")).length >= arguments[0]) break;
}
await new Promise((go) => setTimeout(go));
return performance.now() - begun;
"""
_CHANGES = """
window.__lags = [];
const told = new Map();
const Real = EventSource;
window.EventSource = class extends Real {
  constructor(...given) {
    super(...given);
    this.addEventListener("change", (event) => {
      const { tanks } = JSON.parse(event.data);
      for (const [tank, row] of Object.entries(tanks ?? {})) told.set(tank, Date.parse(row.time));
    });
  }
};
addEventListener("DOMContentLoaded", () => {
  const seen = new Set();
  let due = false;
  new MutationObserver((changes) => {
    for (const { target } of changes) {
      const row = (target.nodeType === 1 ? target : target.parentElement)?.closest(".tank-row");
      const tank = row?.querySelector(".tag")?.textContent;
      if (told.has(tank)) seen.add(tank);
    }
    if (due || !seen.size) return;
    due = true;
    // The frame is painted after its callbacks; a task behind it comes when it is.
    requestAnimationFrame(() => setTimeout(() => {
      due = false;
      for (const tank of seen) {
        window.__lags.push(Date.now() - told.get(tank));
        told.delete(tank);
      }
      seen.clear();
    }));
  }).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true });
});
"""
_LOADED = """
const all = [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")];
const early = all.filter((each) => each.startTime <= window.__first);
const files = early.filter((each) => !new URL(each.name).pathname.startsWith("/api/"));
return [files.length, files.reduce((sum, each) => sum + each.transferSize, 0)];
"""


def measure(*, long: bool) -> dict[str, object]:
    minutes = 60 if long else 3
    with TemporaryDirectory() as name, _site(Path(name)) as (address, gateway), Browser(logs=False) as browser:
        firsts, openings, (files, loaded) = _first_views(browser, address, 9 if long else 5)
        lags, busy, served = _changes(browser, address, gateway, 60.0 if long else 20.0)
        held = _held(browser, address, minutes)
    heaps = [each["heap"] for each in held]
    lags.sort()
    table: list[tuple[object, ...]] = [
        ("first view, ms", f"{median(firsts):.0f}", f"{max(firsts):.0f}", f"{FIRST_VIEW_GOAL_MS:.0f}"),
        ("all rows opened, ms", f"{median(openings):.0f}", f"{max(openings):.0f}", ""),
        ("change to pixel, ms", f"{median(lags):.0f}", f"{lags[int(len(lags) * 0.99)]:.0f}", f"{PIXEL_GOAL_MS:.0f}"),
        ("first load, kB", f"{loaded / 1000:.1f}", f"{files} files", f"{LOAD_GOAL_KB:.0f}"),
        ("the tab's share of a core, %", f"{100 * busy:.0f}", "", ""),
        ("the gateway's share of a core, %", f"{100 * served:.0f}", "", ""),
    ]
    for what, name, form in (("heap, MB", "heap", ".1f"), ("nodes", "nodes", ".0f"), ("listeners", "listeners", ".0f")):
        values = [each[name] for each in held]
        table.append((f"the tab's {what}: at first, in the end", f"{values[0]:{form}}", f"{values[-1]:{form}}", ""))
        table.append((f"the tab's {what}: more in an hour", f"{_an_hour(values):{form}}", "", "flat"))
    return {
        "title": f"the page: {TANKS} tanks, each every {PERIOD_S:g} s, in a real browser",
        "columns": ["", "median", "worst", "goal"],
        "table": table,
        "notes": [
            f"{len(firsts)} first views, {len(lags)} changes (worst: 99 of 100); heap in MB after a collection, each "
            f"minute: {', '.join(f'{each:.1f}' for each in heaps)}",
        ],
        "held": held,
    }


@contextmanager
def _site(folder: Path) -> Iterator[tuple[str, psutil.Process]]:
    """A gateway on the fleet, once every tank is calculated: its address and its process."""
    rows = describe(fleet(TANKS, instruments_per_line=PER_LINE))
    port = free_port()
    with processes.simulators(TANKS, PER_LINE) as (_, addresses):
        site = yaml.safe_load(site_text(rows, addresses, period_s=PERIOD_S, broker_port=1, web_port=port))
        del site["delivery"]
        path = folder / "site.yaml"
        path.write_text(yaml.safe_dump(site, sort_keys=False), "utf-8")
        os.environ[DIRECTORY_VARIABLE] = str(folder)
        try:
            with processes.gateway(path, folder / "log") as process:
                address = f"http://127.0.0.1:{port}"
                eventually(lambda: _calculated(address) == TANKS, "every tank is calculated", _READY_S)
                yield address, process
        finally:
            del os.environ[DIRECTORY_VARIABLE]


def _calculated(address: str) -> int:
    try:
        with urllib.request.urlopen(f"{address}/inventories", timeout=5.0) as answer:
            return sum(each["quality"] != "Bad" for each in json.load(answer)["inventories"])
    except OSError:
        return 0


def _opened(browser: Browser, address: str, *scripts: str) -> Page:
    page = Page(browser, browser.new_context(), address, Look())
    page.at_start(_FIRST % TANKS)
    for script in scripts:
        page.at_start(script)
    page.open()
    eventually(lambda: page.script("return window.__first"), "the first view is there")
    return page


def _first_views(browser: Browser, address: str, rounds: int) -> tuple[list[float], list[float], tuple[int, int]]:
    """(first views in ms, openings of the group of all tanks in ms, (files, bytes) loaded until the first view)."""
    found, openings = [], []
    loaded = (0, 0)
    for _ in range(rounds):
        page = _opened(browser, address)
        found.append(float(page.script("return window.__first")))
        openings.append(float(page.promise(_OPENED, TANKS)))
        files, size = page.script(_LOADED)
        loaded = (int(files), int(size))
        browser.close_context(page.context)
    return found, openings, loaded


def _changes(
    browser: Browser, address: str, gateway: psutil.Process, duration_s: float
) -> tuple[list[float], float, float]:
    """(lags in ms, share of a core that the tab's main thread is busy, and the gateway)."""
    page = _opened(browser, address, _CHANGES)
    page.promise(_OPENED, TANKS)
    page.cdp("Performance.enable")
    time.sleep(PERIOD_S)
    page.script("window.__lags.length = 0")
    before, used, begun = _metrics(page), sum(gateway.cpu_times()[:2]), time.monotonic()
    time.sleep(duration_s)
    after, used_after, took_s = _metrics(page), sum(gateway.cpu_times()[:2]), time.monotonic() - begun
    lags = [float(each) for each in page.script("return window.__lags")]
    browser.close_context(page.context)
    return lags, (after["TaskDuration"] - before["TaskDuration"]) / took_s, (used_after - used) / took_s


def _an_hour(values: Sequence[float]) -> float:
    """How much more it becomes in an hour, of a value each minute."""
    settled = values[_SETTLED_MIN:] if len(values) > _SETTLED_MIN + 2 else values[1:]
    return 60.0 * linear_regression(range(len(settled)), settled).slope


def _held(browser: Browser, address: str, minutes: int) -> list[dict[str, float]]:
    """Each minute: what the tab holds after a collection."""
    page = _opened(browser, address)
    page.promise(_OPENED, TANKS)
    page.cdp("Performance.enable")
    held = []
    for minute in range(minutes + 1):
        if minute:
            time.sleep(60.0)
        # What one collection lets go of may hold what only the next one finds.
        for _ in range(2):
            page.cdp("HeapProfiler.collectGarbage")
        metrics = _metrics(page)
        held.append(
            {
                "heap": metrics["JSHeapUsedSize"] / 1e6,
                "nodes": metrics["Nodes"],
                "listeners": metrics["JSEventListeners"],
            }
        )
    browser.close_context(page.context)
    return held


def _metrics(page: Page) -> dict[str, float]:
    told: list[dict[str, Any]] = page.cdp("Performance.getMetrics")["metrics"]
    return {each["name"]: float(each["value"]) for each in told}
