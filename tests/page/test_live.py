"""What the page says of how live it is, on the real thing: cut networks, killed gateways, sleep, set clocks, caches.

The promise: within ten seconds the page says by itself that it is not the present.
"""

import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.page.axe import serious_findings
from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.signing_in import signed_in
from tests.page.site_process import DemoSite, eventually
from tests.support.tcp_proxy import TcpProxy

LIVE = re.compile(r"live, heard \d+ s ago")
OFFLINE = re.compile(r"OFFLINE: the gateway is not heard\. Last heard \d+ (s|min) ago")
WAITING = "Waiting for the gateway"
CUT = ("ERR_", "Failed to load resource", "/api/1/live")
"""Complaints of a browser whose network is cut."""
# A clock that a test can set: what the device says, not what the browser is.
_CLOCKS = """
window.__clocks = { date: %d, still: 0 };
const RealDate = Date;
const realNow = performance.now.bind(performance);
window.Date = class extends RealDate {
  constructor(...given) { if (given.length) super(...given); else super(RealDate.now() + window.__clocks.date); }
  static now() { return RealDate.now() + window.__clocks.date; }
};
performance.now = () => realNow() - window.__clocks.still;
"""
HOUR_MS = 3_600_000


@pytest.fixture
def way(site: DemoSite) -> Iterator[TcpProxy]:
    """Between the browser and the gateway."""
    with TcpProxy(site.port) as proxy:
        yield proxy


def _opened(pages: Pages, port: int, look: Look | None = None) -> Page:
    page = pages(f"http://127.0.0.1:{port}", look)
    page.open()
    page.says(LIVE)
    # The overview comes behind the strip.
    eventually(lambda: _row(page, "J-3"), "its rows are drawn")
    return page


def _row(page: Page, tank: str) -> str:
    """All that is painted of a tank's row."""
    return str(
        page.script(
            "return [...document.querySelectorAll('.tank-row')]"
            ".find((row) => row.querySelector('.tag').textContent === arguments[0])?.innerText ?? ''",
            tank,
        )
    )


def _struck(page: Page) -> int:
    return int(page.script("return document.querySelectorAll('.tank-row .struck').length"))


def _within_ten_seconds(page: Page, wanted: re.Pattern[str]) -> float:
    begun = time.monotonic()
    page.says(wanted, within=30.0)
    return time.monotonic() - begun


def test_every_figure_of_the_view_has_a_unit_that_the_page_knows(page: Page, site: DemoSite) -> None:
    page.open()
    page.says(LIVE)
    view = site.get("/api/1/view")
    units = {
        each["u"] for row in view["tanks"].values() for each in row.values() if isinstance(each, dict) and "u" in each
    }
    units |= {each["unit"] for each in view["totals"]}
    known = page.promise("return Object.keys((await import('/page/code/numbers.js')).DIMENSIONS)")
    assert units <= set(known)


def test_a_cut_network_is_seen_and_its_mending_too(pages: Pages, way: TcpProxy) -> None:
    page = _opened(pages, way.port)
    page.expecting(*CUT)
    assert _struck(page) == 0
    for cut in (way.hold, way.refuse):
        cut()
        took_s = _within_ten_seconds(page, OFFLINE)
        # By the page's own count; how long a busy machine lets it wait is not its doing.
        silence = re.search(r"Last heard (\d+) s ago", page.text)
        assert silence
        assert int(silence[1]) <= 10, (silence[0], took_s)
        assert page.find("alert").text.startswith("OFFLINE")
        # When that was: not what the clock says by now.
        told = re.search(r"ago, \d+ \w+ \d+, (\d+):(\d\d):(\d\d): what stands below is old", page.text)
        clock = re.search(r"(\d\d):(\d\d):(\d\d) UTC", page.text)
        assert told
        assert clock
        since, now = (int(h) * 3600 + int(m) * 60 + int(s) for h, m, s in (told.groups(), clock.groups()))
        assert 8 <= (now - since) % 86_400 <= 40
        assert serious_findings(page) == []
        # No figure of any tank stands as if it were the present.
        eventually(lambda: _struck(page) >= 10, "figures are struck")
        assert "not live" in _row(page, "J-3")
        assert "10 not live" in page.text
        way.mend()
        page.says(LIVE, within=30.0)
        page.gone("alert")
        eventually(lambda: _struck(page) == 0, "figures are of now")


def test_a_short_cut_goes_on_where_it_was(pages: Pages, way: TcpProxy) -> None:
    """The browser names the last event that it had, and gets what it has missed, not the whole view again."""
    page = pages(f"http://127.0.0.1:{way.port}")
    page.expecting(*CUT)
    page.at_start(
        "window.__heard = [];"
        "const Real = EventSource;"
        "window.EventSource = class extends Real { constructor(...given) { super(...given);"
        " for (const kind of ['view', 'change', 'site'])"
        " this.addEventListener(kind, (event) => window.__heard.push([kind, event.lastEventId])); } };"
    )
    page.open()
    page.says(LIVE)
    before = page.script("return __heard.length")
    way.cut()
    eventually(lambda: page.script("return __heard.length") > before + 3, "changes come again")
    heard = page.script("return __heard")
    assert [kind for kind, _ in heard].count("view") == 1
    numbers = [int(identity.rpartition(":")[2]) for kind, identity in heard if kind == "change"]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    page.says(LIVE)


def test_a_gateway_that_stands_still_is_killed_and_comes_again(pages: Pages, own_site: DemoSite) -> None:
    page = _opened(pages, own_site.port)
    page.expecting(*CUT)
    # Its connections stand, and its system answers for it.
    own_site.freeze()
    page.says(OFFLINE, within=30.0)
    own_site.thaw()
    page.says(LIVE, within=30.0)
    fixed = "return (await import('/page/code/live.js')).site.value.boot"
    boot = page.promise(fixed)
    own_site.kill()
    own_site.start()
    page.says(LIVE, within=30.0)
    # It is the view of the new process, down to what is fixed.
    eventually(lambda: page.promise(fixed) != boot, "the new site's word", 20.0)
    level = own_site.inventory("J-3")["figures"]["level"]["value"]
    eventually(lambda: f"{level:.3f} m" in _row(page, "J-3"), "the level of now", 10.0)


@pytest.mark.parametrize("ms_stops", [False, True], ids=["the clock went on", "one clock stood still"])
def test_a_phone_that_slept_for_an_hour(page: Page, site: DemoSite, ms_stops: bool) -> None:
    """What is seen first when it wakes, before anything can have come, does not pass for the present."""
    page.at_start(_CLOCKS % 0)
    page.at_start(
        "addEventListener('visibilitychange', () => { if (!document.hidden)"
        " requestAnimationFrame(() => { window.__first = document.body.innerText; }); }, true);"
    )
    page.wear(Look(width=360, height=740))
    page.open()
    page.says(LIVE)
    # The rows come after the strip.
    eventually(lambda: page.text.count("s ago") > 8, "the ages of the rows")
    page.expecting(*CUT)
    page.freeze()
    asleep = page.text
    assert not LIVE.search(asleep), asleep[:300]
    assert WAITING in asleep
    assert _struck(page) >= 10
    # An hour goes by; what came into the browser meanwhile lies there.
    time.sleep(1.0)
    page.script(
        "window.__clocks.date += arguments[0]; window.__clocks.still += arguments[1]",
        HOUR_MS,
        HOUR_MS if ms_stops else 0,
    )
    page.thaw()
    eventually(lambda: page.script("return window.__first"), "it is painted")
    first = page.script("return window.__first")
    assert not LIVE.search(first), first[:300]
    page.says(LIVE, within=30.0)
    eventually(lambda: _struck(page) == 0, "figures are of now")


@pytest.mark.parametrize("wrong_ms", [HOUR_MS, -HOUR_MS], ids=["an hour fast", "an hour slow"])
def test_a_viewer_whose_clock_is_wrong(page: Page, site: DemoSite, wrong_ms: int) -> None:
    """Ages are those of the gateway, and so is the time shown; the viewer's date is neither."""
    page.at_start(_CLOCKS % wrong_ms)
    page.open()
    page.says(LIVE)
    # The rows come after the strip.
    eventually(lambda: page.text.count("s ago") > 8, "the ages of the rows")
    shown = re.search(r"(\d\d:\d\d:\d\d) UTC", page.text)
    assert shown
    there = datetime.now(UTC)
    at = datetime.strptime(f"{there:%Y-%m-%d} {shown[1]}", "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC)
    assert abs((there - at).total_seconds()) < 30.0
    ages = [int(age) for age in re.findall(r"(\d+) s ago", page.text)]
    # The slowest instruments of the demo are asked each 60 s.
    assert len(ages) > 8
    assert max(ages) <= 90
    assert _struck(page) == 0
    # Set by hand while it is looked at, it costs a moment's doubt and no more.
    page.script("window.__clocks.date -= arguments[0]", wrong_ms)
    page.says(LIVE, within=30.0)
    eventually(lambda: _struck(page) == 0, "figures are of now")


def test_two_tabs_are_live_both(pages: Pages, site: DemoSite, way: TcpProxy) -> None:
    page = _opened(pages, site.port)
    other = page.another_tab()
    other.open(at=f"http://127.0.0.1:{way.port}")
    other.says(LIVE)
    page.says(LIVE)
    page.expecting(*CUT)
    pages.addresses.add(other.address)
    # What happens to the one is nothing to the other.
    way.hold()
    other.says(OFFLINE, within=30.0)
    page.says(LIVE)
    way.mend()
    other.says(LIVE, within=30.0)


def test_out_of_the_browsers_own_cache_nothing_passes_for_live(page: Page, site: DemoSite) -> None:
    """Back and forward keep a page as it stood. It begins again with a question, and cut off it says so."""
    page.at_start("addEventListener('pageshow', (event) => { window.__persisted = event.persisted; });")
    page.at_start(
        "addEventListener('pageshow',"
        " (event) => { if (event.persisted) window.__first = document.body.innerText; }, true);"
    )
    page.expecting(*CUT, "favicon")
    page.open()
    page.says(LIVE)
    page.browser.driver.get(f"{site.address}/health")
    page.browser.driver.back()
    assert page.script("return window.__persisted") is True, "the browser kept no page, so this proves nothing"
    assert not LIVE.search(page.script("return window.__first"))
    page.says(LIVE)


def test_no_answer_of_the_gateway_is_kept_and_no_file_is_used_unasked(page: Page, site: DemoSite) -> None:
    page.open()
    page.says(LIVE)
    headers = page.promise(
        "const told = {};"
        "for (const path of ['/api/1/site', '/api/1/view', '/inventories', '/', '/page/code/live.js'])"
        " told[path] = (await fetch(path)).headers.get('cache-control');"
        "return told;"
    )
    assert {path: "no-store" in value for path, value in headers.items()} == {
        "/api/1/site": True,
        "/api/1/view": True,
        "/inventories": True,
        "/": False,
        "/page/code/live.js": False,
    }
    assert headers["/"] == headers["/page/code/live.js"] == "no-cache"
    # With everything that the browser has kept, and without the gateway, there is no page at all.
    page.expecting(*CUT)
    page.offline()
    with pytest.raises(Exception, match="ERR_INTERNET_DISCONNECTED"):
        page.open()


def test_a_viewer_on_a_slow_link_is_told_how_old_it_is(pages: Pages, way: TcpProxy) -> None:
    """4 kB go through in so long that the stream falls behind for good: what is seen is then not taken for live."""
    page = _opened(pages, way.port)
    page.expecting(*CUT)
    way.slow(0.2)
    time.sleep(3.0)
    assert LIVE.search(page.text), page.text[:300]
    way.slow(12.0)
    not_live = re.compile("OFFLINE|LATE")
    page.says(not_live, within=40.0)
    way.mend()
    page.says(LIVE, within=60.0)


def test_a_page_with_a_fault_of_its_own_does_not_pass_for_live(page: Page, site: DemoSite) -> None:
    page.open()
    page.says(LIVE)
    page.expecting("on purpose")
    page.script("setTimeout(() => { throw new Error('on purpose'); })")
    page.says("This page has a fault: load it anew.")
    assert not LIVE.search(page.text)


def test_whoever_is_signed_out_sees_no_more_of_the_site(tmp_path: Path, pages: Pages) -> None:
    """The session ends while the page is looked at: it says so, forgets what it showed, and is live again after a
    sign-in, without being loaded anew."""

    def closed(site: dict[str, Any]) -> None:
        site["web"]["view_without_sign_in"] = "no"

    with DemoSite(tmp_path / "site", change=closed) as site:
        page = signed_in(pages(site.address), site, "vera", "viewer")
        page.says(LIVE)
        page.expecting("401", "/api/1/")
        page.says("J-3")
        site.run("people", "remove", "vera")
        page.says("Sign in to see this site.", within=30.0)
        eventually(lambda: "J-3" not in page.text, "nothing of the site is left")
        assert not LIVE.search(page.text)
        # In another tab of the same browser somebody comes in.
        other = page.another_tab()
        signed_in(other, site, "vito", "viewer")
        page.says(LIVE, within=30.0)
        eventually(lambda: _row(page, "J-3"), "it is seen again")


def test_a_view_that_cannot_be_fetched_comes_when_the_link_does(pages: Pages, way: TcpProxy) -> None:
    """A lost link is no fault of the page: nobody need load it anew."""
    page = pages(f"http://127.0.0.1:{way.port}")
    page.expecting(*CUT)
    # Views are fetched ahead after some seconds: here never, so that it is wanted when there is no link.
    page.at_start(
        "const real = setTimeout;"
        "window.setTimeout = (work, ms, ...more) => real(work, ms === 3000 ? 1e9 : ms, ...more);"
    )
    page.open()
    page.says(LIVE)
    page.says("What needs someone")
    way.refuse()
    page.go("#/lines")
    page.says("The gateway cannot be reached.")
    way.mend()
    page.says("bus-a", within=30.0)
    page.says(LIVE, within=30.0)


def test_a_page_whose_words_cannot_be_fetched_comes_when_they_can(page: Page, site: DemoSite) -> None:
    """It was loaded in the moment in which the gateway was started anew: nobody at a wall loads it once more."""
    page.expecting("languages")
    page.cdp("Network.enable")
    page.cdp("Network.setBlockedURLs", urls=["*/languages/*"])
    page.open()
    time.sleep(1.0)
    assert page.text.strip() == ""
    page.cdp("Network.setBlockedURLs", urls=[])
    page.says("What needs someone", within=15.0)
    page.says(LIVE)
