"""What the other tests of the page rest on: the browser's complaints are heard, things are found as users find them."""

import http.server
import re
import threading
import time
from collections.abc import Iterator

import pytest

from tests.page.axe import serious_findings
from tests.page.browser import Browser
from tests.page.conftest import Pages
from tests.page.reading import Look, Page
from tests.page.site_process import DemoSite, eventually

_DOCUMENT = b"""<!doctype html><html lang="en"><meta name="viewport" content="width=device-width">
<title>small</title><h1>Small</h1>
<main><button onclick="document.title='pressed'">Acknowledge</button><button aria-label="Close">x</button>
<label>Level <input></label><p hidden>hidden words</p>
<ul aria-label="first"><li>one</li></ul><ul aria-label="second"><li>two</li><li>three</li></ul></main></html>"""


class _Small(http.server.BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        known = self.path == "/"
        self.send_response(200 if known else 404)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(_DOCUMENT if known else b"none")

    def log_message(self, *_: object) -> None:
        """Nobody reads it."""


@pytest.fixture
def small() -> Iterator[str]:
    """The address of a server of one document."""
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Small) as server:
        serving = threading.Thread(target=server.serve_forever)
        serving.start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()
        serving.join()


def _opened(pages: Pages, address: str, look: Look | None = None) -> Page:
    page = pages(address, look)
    page.expecting("favicon")
    page.open("")
    return page


def test_things_are_found_by_role_and_name_and_used(pages: Pages, small: str) -> None:
    page = _opened(pages, small)
    page.find("button", "Acknowledge").click()
    assert page.script("return document.title") == "pressed"
    field = page.find("textbox", "Level")
    field.type("9.412")
    assert page.find("textbox", "Level").value == "9.412"
    page.press("\ue004")  # Tab
    assert page.find("button", re.compile("^Cl")).name == "Close"
    assert [each.text for each in page.find("list", "second").all("listitem")] == ["two", "three"]
    assert "hidden words" not in page.text
    page.says("Small")


def test_a_page_is_worn_as_a_reader_has_it(pages: Pages, small: str) -> None:
    look = Look(width=360, height=740, dark=True, language="de-CH", reduced_motion=True, time_zone="Asia/Kolkata")
    page = _opened(pages, small, look)
    told = page.script(
        "return [innerWidth, matchMedia('(prefers-color-scheme: dark)').matches, navigator.language,"
        " (1234567.8).toLocaleString().replaceAll('’', '\\''), matchMedia('(prefers-reduced-motion: reduce)').matches,"
        " new Date(0).getHours(), matchMedia('(pointer: coarse)').matches]"
    )
    # CLDR: de-CH groups by an apostrophe, straight or curved by its edition; India is 5 h 30 min ahead of UTC.
    assert told == [360, True, "de-CH", "1'234'567.8", True, 5, True]


def test_what_one_reader_keeps_another_does_not_have(pages: Pages, small: str) -> None:
    first, second = _opened(pages, small), _opened(pages, small)
    first.script("localStorage.setItem('units', 'us'); document.cookie = 'a=1'")
    same = first.another_tab()
    same.open("")
    assert same.script("return [localStorage.getItem('units'), document.cookie]") == ["us", "a=1"]
    assert second.script("return [localStorage.getItem('units'), document.cookie]") == [None, ""]


def test_every_complaint_is_heard(pages: Pages, small: str, browser: Browser) -> None:
    page = _opened(pages, small)
    page.script("console.error('it hurts'); setTimeout(() => { throw new Error('unforeseen') })")
    page.script("fetch('/missing'); fetch('http://127.0.0.1:1/elsewhere').catch(() => null)")
    time.sleep(0.5)  # nothing tells when a browser has logged
    console, failed, foreign = page.complaints([small])
    assert any("it hurts" in text for text in console)
    assert any("unforeseen" in text for text in console)
    assert [text for text in failed if "/missing" in text] == [f"404 {small}/missing"]
    assert foreign == ["http://127.0.0.1:1/elsewhere"]


def test_a_complaint_that_was_expected_is_none(pages: Pages, small: str) -> None:
    page = _opened(pages, small)
    page.expecting("it hurts")
    page.script("console.error('it hurts')")
    assert not any(page.complaints([small]))


def test_the_network_is_cut_and_mended(pages: Pages, small: str) -> None:
    page = _opened(pages, small)
    page.expecting("ERR_INTERNET_DISCONNECTED", "Failed to fetch")
    tried = "try { return (await fetch('/')).status } catch { return navigator.onLine }"
    page.offline()
    assert page.promise(tried) is False
    page.offline(False)
    assert page.promise(tried) == 200


def test_a_frozen_tab_stands_still(pages: Pages, small: str) -> None:
    page = _opened(pages, small)
    page.script("window.ticks = 0; setInterval(() => { window.ticks += 1 }, 20)")
    eventually(lambda: page.script("return ticks") > 0, "timers run")
    page.freeze()
    time.sleep(0.2)
    before = page.script("return ticks")
    time.sleep(0.5)
    assert page.script("return ticks") == before
    page.thaw()
    eventually(lambda: page.script("return ticks") > before, "timers run again")


def test_the_demo_runs_and_can_be_looked_into(site: DemoSite) -> None:
    tanks = {each["identity"]["tank"] for each in site.get("/inventories")["inventories"]}
    assert len(tanks) == 10
    truth = site.instruments.ask(lambda running: running.tank("C-7").level_m)
    told = site.inventory("C-7")["figures"]["level"]["value"]
    # By pressure and a density that hangs on the temperature: within a centimetre of the simulator's truth.
    assert told == pytest.approx(truth, abs=0.01)


def test_a_gateway_is_killed_and_comes_again_on_its_ledger(own_site: DemoSite) -> None:
    first = own_site.get("/inventories")["inventories"][0]["identity"]["boot"]
    own_site.kill()
    own_site.start()
    assert own_site.get("/inventories")["inventories"][0]["identity"]["boot"] != first
    assert list(own_site.state.glob("*.ledger"))


def test_what_no_screen_reader_can_read_is_found(pages: Pages, small: str) -> None:
    page = _opened(pages, small)
    assert serious_findings(page) == []
    page.script("document.querySelector('[aria-label=Close]').removeAttribute('aria-label')")
    page.script("document.querySelector('[onclick]').textContent = ''")
    page.script("document.querySelector('h1').style.color = '#aaaaaa'")
    assert {each.rule for each in serious_findings(page)} == {"button-name", "color-contrast"}
