"""A view that is loaded when it is wanted is drawn, whoever else it has come for meanwhile."""

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
