"""What is loaded when it is wanted: a view is drawn, whoever else it came for; a button says that it cannot go on."""

import shutil
from pathlib import Path

from tests.page.conftest import Pages
from tests.page.reading import Page
from tests.page.site_process import eventually
from tests.page.static_server import WEB, served

_DRAWN = """
const { html, render } = await import("/page/code/html.js");
const { later } = await import("/page/code/parts/later.js");
const place = () => document.body.appendChild(document.createElement("div"));
let comes;
const Late = later(() => new Promise((done) => (comes = done)), "View");
const first = place();
render(html`<${Late} />`, first);
while (!comes) await new Promise((done) => setTimeout(done, 5));
// Drawn empty, and what it waits for comes before it has begun to wait.
const second = place();
render(html`<${Late} />`, second);
comes({ View: () => html`<p>here</p>` });
const soon = () => new Promise((done) => setTimeout(done, 10));
for (let turn = 0; turn < 100 && second.innerText !== "here"; turn += 1) await soon();
return [first.innerText, second.innerText];
"""


def test_a_view_that_comes_between_drawing_and_waiting_is_drawn(modules: Page) -> None:
    assert modules.promise(_DRAWN) == ["here", "here"]


_BEGUN = """
const { html, render } = await import("/page/code/html.js");
const { speak } = await import("/page/code/words.js");
const { DialogButton } = await import("/page/code/parts/act_button.js");
await speak("en");
window.made = 0;
const fields = [{ name: "why", label: "why", kind: "long" }];
const spec = () => ((window.made += 1), { action: "dip", title: "A dip", fields });
render(html`<p id="place"><${DialogButton} spec=${spec}>Begin<//></p>`, document.querySelector("main"));
"""
_PRESSED = """
const place = document.getElementById("place");
place.querySelector("button").click();
const head = () => document.querySelector("dialog[open] h2")?.innerText ?? "";
const refused = () => place.querySelector("[role=alert]")?.innerText ?? "";
for (let turn = 0; turn < 1000 && !(arguments[0] ? refused() : head()); turn += 1)
  await new Promise((done) => setTimeout(done, 10));
return [refused(), head()];
"""


def test_a_dialog_that_cannot_be_had_is_refused_and_opens_once_the_link_is_back(
    modules: Page,
) -> None:
    modules.expecting(r"dialog\.js")
    modules.cdp("Network.enable")
    modules.cdp("Network.setBlockedURLs", urls=["*dialog.js"])
    modules.promise(_BEGUN)
    refusal, head = modules.promise(_PRESSED, True)
    assert (refusal, head) == ("The gateway cannot be reached.", "")
    modules.cdp("Network.setBlockedURLs", urls=[])
    assert modules.promise(_PRESSED, False) == ["", "A dip"]


_PRESSED_TWICE = """
const place = document.getElementById("place");
const button = place.querySelector("button");
const soon = () => new Promise((done) => setTimeout(done, 10));
button.click();
await soon();
button.click();
await soon();
const meanwhile = [place.querySelector("[role=status]")?.innerText ?? "", button.getAttribute("aria-disabled")];
for (let turn = 0; turn < 1500 && !document.querySelector("dialog[open]"); turn += 1) await soon();
await soon();
return [meanwhile, place.innerText, button.getAttribute("aria-disabled"), window.made];
"""


def test_a_dialog_that_takes_its_time_is_said_to_come_and_comes_once(modules: Page) -> None:
    modules.promise(_BEGUN)
    modules.network(latency_ms=500)
    assert modules.promise(_PRESSED_TWICE) == [["Loading \u2026", "true"], "Begin", None, 1]


def test_a_gateway_that_is_heard_again_is_not_said_to_be_out_of_reach(modules: Page) -> None:
    modules.expecting(r"dialog\.js")
    modules.cdp("Network.enable")
    modules.cdp("Network.setBlockedURLs", urls=["*dialog.js"])
    modules.promise(_BEGUN)
    assert modules.promise(_PRESSED, True) == ["The gateway cannot be reached.", ""]
    modules.cdp("Network.setBlockedURLs", urls=[])
    eventually(lambda: "reached" not in modules.text, "it has been asked for again", 10.0)
    # Nobody presses on for ever: it does not open by itself.
    assert not modules.all("dialog")


def test_a_dialog_of_another_version_says_so_at_its_button(tmp_path: Path, pages: Pages) -> None:
    """Its files are those of a gateway that stands in the place of the one that this page came from."""
    shutil.copytree(WEB / "page", tmp_path / "page")
    module = tmp_path / "page" / "code" / "parts" / "dialog.js"
    module.write_text(module.read_text("utf-8").replace("import { AskError }", "import { AnswerError }"), "utf-8")
    with served(tmp_path) as address:
        page = pages(address)
        page.expecting("does not provide an export")
        page.open("")
        page.promise(_BEGUN)
        refusal, head = page.promise(_PRESSED, True)
    assert head == ""
    assert refusal.endswith("load it anew."), refusal
