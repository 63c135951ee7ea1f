"""What is loaded when it is wanted: a view is drawn, whoever else it came for; a button says that it cannot go on."""

from tests.page.reading import Page

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
const spec = () => ({ action: "dip", title: "A dip", fields: [{ name: "why", label: "why", kind: "long" }] });
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
