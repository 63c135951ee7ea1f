"""For every reader: screen readers, keyboards, thumbs in gloves, small screens, large type, both themes and languages.

WCAG 2.2 AA. Each view is walked in both languages, and in each of them seen in both themes.
"""

import json
import re
from dataclasses import replace

import pytest
from selenium.webdriver.common.keys import Keys

from tests.page.axe import serious_findings
from tests.page.reading import Look, Page
from tests.page.site_process import DemoSite, eventually
from tests.page.static_server import WEB

PLACES = (
    "#/",
    "#/alarms",
    "#/transfers",
    "#/stock",
    "#/stock/day",
    "#/stock/amounts",
    "#/stock/densities",
    "#/stock/losses",
    "#/lines",
    "#/changes",
    "#/reports",
    "#/site",
    "#/outlook",
    "#/outlook/trust",
    "#/gateway",
    "#/gateway/evidence",
    "#/handover",
    "#/enter",
    "#/person",
    "#/tank/TK-101",
    "#/tank/A-1",
    "#/nowhere",
)
ENGLISH = Look()
GERMAN_NIGHT = Look(dark=True, language="de-DE", reduced_motion=True)
LIVE = re.compile(r"live, (heard|gehört)")
TARGET_PX = 44
_SMALL_TARGETS = """
const touched = "a[href], button, select, input, textarea, summary, [role=button], [tabindex='0']";
const painted = (box) => box.width > 0 && box.height > 0;
return [...document.querySelectorAll(touched)]
  .filter((each) => !each.closest("[hidden], .skip, .unseen") && painted(each.getBoundingClientRect()))
  .filter((each) => !(each.matches("input[type=radio], input[type=checkbox]") && each.closest("label")))
  .map((each) => [each.outerHTML.slice(0, 120), each.getBoundingClientRect()])
  .filter(([, box]) => box.height < arguments[0] - 0.5 || box.width < arguments[0] - 0.5)
  .map(([what, box]) => `${what} ${Math.round(box.width)}x${Math.round(box.height)}`);
"""
_UNSEEN_FOCUS = """
const used = "a[href], button, select, input, textarea, summary, [role=button], [tabindex]";
return [...document.querySelectorAll(used)]
  .filter((each) => each.id !== "main" && !each.disabled && each.getClientRects().length > 0)
  .filter((each) => {
    each.focus({ preventScroll: true });
    const { outlineStyle, outlineWidth } = getComputedStyle(each);
    const isSeen = outlineStyle !== "none" && parseFloat(outlineWidth) >= 2;
    return document.activeElement !== each || each.tabIndex !== 0 || !isSeen;
  })
  .map((each) => each.outerHTML.slice(0, 120));
"""
_MOVING = """
return [...document.querySelectorAll("*")].filter((each) => {
  const { animationName, transitionDuration } = getComputedStyle(each);
  return animationName !== "none" || transitionDuration.split(",").some((each) => parseFloat(each) > 0);
}).map((each) => each.outerHTML.slice(0, 80));
"""
_TOLD = """
const told = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT | NodeFilter.SHOW_ELEMENT);
for (let node = walker.nextNode(); node; node = walker.nextNode()) {
  if (node.nodeType === 3) told.push(node.data.trim());
  else for (const name of ["aria-label", "title", "placeholder", "alt"]) told.push(node.getAttribute(name) ?? "");
}
return [...new Set(told)].filter(Boolean);
"""
_BLINKING = """
return document.getAnimations().filter((each) => each.effect.getTiming().iterations > 3).map(String);
"""
_STILL = """
if (!window.askedByTest) {
  const fetched = window.fetch;
  window.askedByTest = { open: 0 };
  window.fetch = async (...what) => {
    askedByTest.open += 1;
    try {
      const answer = await fetched(...what);
      answer.clone().arrayBuffer().catch(() => {}).finally(() => { askedByTest.open -= 1; });
      return answer;
    } catch (error) {
      askedByTest.open -= 1;
      throw error;
    }
  };
}
const frame = () => new Promise((go) => requestAnimationFrame(() => setTimeout(go, 0)));
let before = -1;
for (let frames = 0, still = 0; frames < 90 && still < 8; ) {
  await frame();
  const now = document.querySelector("main").querySelectorAll("*").length;
  still = now === before && !askedByTest.open ? still + 1 : 0;
  frames += askedByTest.open ? 0 : 1;
  before = now;
}
"""
"""Until all that was asked for has come, and eight frames on end show as many elements; what is live may never rest."""
_SIDEWAYS = """
const wide = document.documentElement.clientWidth;
const inside = (each) => {
  for (let above = each.parentElement; above; above = above.parentElement)
    if (["auto", "scroll", "hidden", "clip"].includes(getComputedStyle(above).overflowX)) return true;
  return false;
};
return [document.documentElement.scrollWidth - wide, [...document.querySelectorAll("main *, header *, footer *, nav *")]
  .filter((each) => !each.closest(".unseen, .skip") && each.getBoundingClientRect().right > wide + 1 && !inside(each))
  .map((each) => each.outerHTML.slice(0, 120)).slice(0, 5)];
"""

_HIDDEN = """
await new Promise((go) => requestAnimationFrame(() => setTimeout(go, 50)));
const shown = (each) => !each.closest(".unseen, .skip, .uplot, dialog, select, [hidden]") && !isForEars(each);
const isForEars = (each) => {
  const head = each.closest("thead");
  return head !== null && getComputedStyle(head).clipPath !== "none";
};
const cut = [...document.querySelectorAll("main *, header *, nav *, footer *")].filter((each) =>
  shown(each) && !each.closest("svg") && ["hidden", "clip"].includes(getComputedStyle(each).overflowX)
    && each.scrollWidth > each.clientWidth + 1 && each.clientWidth > 1);
const boxes = [];
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
for (let node = walker.nextNode(); node; node = walker.nextNode()) {
  const above = node.parentElement;
  if (!node.data.trim() || !above || !shown(above) || above.closest("title, .strip")) continue;
  if (above.checkVisibility && !above.checkVisibility()) continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  // A letter's box is higher than the letter: lines may touch.
  for (const { left, right, top, bottom, height } of range.getClientRects())
    boxes.push({ left: left + 1, right: right - 1, top: top + height / 4, bottom: bottom - height / 4, node });
}
boxes.sort((one, other) => one.top - other.top);
const covered = [];
const meets = (one, other) =>
  one.left < other.right && other.left < one.right && one.top < other.bottom && other.top < one.bottom;
boxes.forEach((one, at) => {
  for (let next = at + 1; next < boxes.length && boxes[next].top < one.bottom; next += 1)
    if (boxes[next].node !== one.node && meets(one, boxes[next])) covered.push([one.node.data, boxes[next].node.data]);
});
// The filled part is three of sixteen parts of a letter's height.
const half = (3 / 32) * parseFloat(getComputedStyle(document.documentElement).fontSize);
for (const line of document.querySelectorAll(".ruler .scale")) {
  const { left, right, top, bottom } = line.getBoundingClientRect();
  const rule = { left, right, top: top - half, bottom: bottom + half };
  for (const text of line.closest("svg").querySelectorAll("text"))
    if (meets(text.getBoundingClientRect(), rule)) covered.push([text.textContent, "the ruler"]);
}
return [...cut.map((each) => each.outerHTML.slice(0, 120)), ...covered.map((each) => each.join(" over "))].slice(0, 8);
"""
"""What is cut off, and what stands over something else."""


def _words(language: str) -> dict[str, str]:
    words: dict[str, str] = json.loads((WEB / "page" / "languages" / f"{language}.json").read_text("utf-8"))
    return words


def settled(page: Page, place: str) -> None:
    """At a place of the page, with what it loads there."""
    page.go(place)
    eventually(lambda: page.script("return document.querySelector('main')?.innerText.length > 20"), "the view is there")
    # A view that loads says so; what it shows then is what is judged.
    page.promise(_STILL)


@pytest.mark.parametrize("look", [ENGLISH, GERMAN_NIGHT], ids=["English", "German"])
def test_axe_finds_nothing_serious_on_any_view_and_nothing_moves(page: Page, site: DemoSite, look: Look) -> None:
    """In either theme. Nothing blinks for anybody, and nothing glides for who wants no movement. Whatever can be used
    can be reached by keyboard, and its focus is seen."""
    page.wear(look)
    page.open()
    page.says(LIVE)
    english, german = (_words(language) for language in ("en", "de"))
    foreign = set(english.values()) - set(german.values())
    found = {}
    for place in PLACES:
        settled(page, place)
        other = replace(look, dark=not look.dark)
        for seen in (other, look):
            page.wear(seen)
            if findings := serious_findings(page):
                found[f"{place} {'dark' if seen.dark else 'light'}"] = findings
        page.press(Keys.TAB)
        assert page.script(_UNSEEN_FOCUS) == [], place
        told = set(page.script(_TOLD))
        # A word that is missing shows its key; one that was forgotten shows the other language.
        assert {each for each in told if each in english} == set(), place
        # The audit trail is told in the words that stand in it.
        if look.language.startswith("de") and place != "#/changes":
            assert told & foreign == set(), place
        moving = page.script(_MOVING) if look.reduced_motion else page.script(_BLINKING)
        assert moving == [], place
    assert not found, "\n".join(f"{place}: {each}" for place, findings in found.items() for each in findings)


@pytest.mark.parametrize("look", [ENGLISH, GERMAN_NIGHT], ids=["English", "German"])
def test_nothing_is_cut_off_or_covered_on_any_screen(page: Page, site: DemoSite, look: Look) -> None:
    """A phone, a desk and a wall: no way sideways, no text cut off or over another one or a ruler. And on the phone
    44 px each way for whatever is touched, more than the 24 of WCAG 2.2, 2.5.8: thumbs wear gloves."""
    phone = replace(look, width=360, height=740)
    page.wear(phone)
    page.open()
    page.says(LIVE)
    wrong = {}
    for place in PLACES:
        settled(page, place)
        for seen in (replace(look, width=3840, height=2160), replace(look, width=1280, height=900), phone):
            page.wear(seen)
            over, what = page.script(_SIDEWAYS)
            hidden = page.promise(_HIDDEN)
            small = page.script(_SMALL_TARGETS, TARGET_PX) if seen is phone else []
            if over > 0 or what or hidden or small:
                wrong[f"{place} at {seen.width}"] = (over, what, hidden, small)
    page.find("button", "Mehr …" if look is GERMAN_NIGHT else "More …").click()
    assert page.script(_SMALL_TARGETS, TARGET_PX) == []
    assert not wrong, "\n".join(f"{place}: {each}" for place, each in wrong.items())


def test_on_a_phone_what_needs_someone_is_in_sight(page: Page, site: DemoSite) -> None:
    """Above the middle of its screen. The further ways are one touch away, and that of the view itself always there."""
    page.wear(replace(ENGLISH, width=360, height=740))
    page.open()
    page.says(LIVE)
    page.find("heading", "What needs someone")
    assert page.script("return document.querySelector('#needs').getBoundingClientRect().top") < 370
    assert not page.all("link", "The gateway")
    page.find("button", "More …").click()
    page.find("link", "The gateway").click()
    page.find("heading", "The gateway")
    page.find("link", "The gateway")
    assert not page.all("link", "Reports")


_NEEDS = """
const [texts] = arguments;
const list = document.createElement("ul");
for (const [priority, text] of texts) {
  const need = list.appendChild(document.createElement("li"));
  need.className = "need fresh-need";
  const mark = need.appendChild(document.createElement("span"));
  mark.className = `mark ${priority} fresh`;
  mark.appendChild(document.createElementNS("http://www.w3.org/2000/svg", "svg")).setAttribute("viewBox", "0 0 16 16");
  mark.appendChild(document.createElement("span")).textContent = text;
  need.appendChild(document.createElement("div")).textContent = "F-1";
}
document.querySelector("main").appendChild(list);
const over = [...list.children].filter(({ children: [mark, what] }) =>
  mark.lastChild.getBoundingClientRect().right > what.getBoundingClientRect().left);
const told = over.map((each) => each.innerText);
list.remove();
return told;
"""


@pytest.mark.parametrize("language", ["en", "de"])
def test_how_soon_stands_beside_what_it_is_about_and_not_over_it(page: Page, site: DemoSite, language: str) -> None:
    page.open()
    page.says(LIVE)
    words = _words(language)
    texts = [[name, words[f"priority.{name}"]] for name in ("now", "soon", "look")]
    assert page.script(_NEEDS, texts) == []


def test_type_of_twice_the_size_hides_nothing(page: Page, site: DemoSite) -> None:
    """WCAG 2.2, 1.4.4: 200 %, and 1.4.10: as on a screen of 640 px without a way sideways."""
    page.wear(Look(width=1280))
    page.open()
    page.says(LIVE)
    page.script("document.documentElement.style.fontSize = '200%'")
    wrong = {}
    for place in PLACES:
        settled(page, place)
        over, what = page.script(_SIDEWAYS)
        cut = page.script(
            "return [...document.querySelectorAll('main *, header *')].filter((each) =>"
            " getComputedStyle(each).overflow === 'hidden' && !each.closest('.unseen, svg')"
            " && each.scrollHeight > each.clientHeight + 2 && each.clientHeight > 0)"
            ".map((each) => each.outerHTML.slice(0, 120))"
        )
        if over > 0 or what or cut:
            wrong[place] = (over, what, cut)
    assert not wrong, "\n".join(f"{place}: {each}" for place, each in wrong.items())


def test_the_whole_overview_is_reached_by_keyboard_and_focus_is_seen(page: Page, site: DemoSite) -> None:
    page.open()
    page.says(LIVE)
    seen: list[tuple[str, str]] = []
    unseen: list[str] = []
    tags = sorted(site.get("/api/1/site")["tanks"])
    for _ in range(120):
        page.press(Keys.TAB)
        role, name = page.focused()
        if (role, name) in seen and role in ("generic", "RootWebArea"):
            break
        seen.append((role, name))
        outline = page.script(
            "const has = document.activeElement;"
            "const style = getComputedStyle(has);"
            "const box = has.getBoundingClientRect();"
            "const strip = document.querySelector('.strip').getBoundingClientRect();"
            "const under = has.closest('.strip, .skip') ? 0 : strip.bottom;"
            "return [has === document.body, style.outlineStyle, parseFloat(style.outlineWidth),"
            " box.bottom <= under || box.top >= innerHeight]"
        )
        if outline[0]:
            break
        if outline[1] == "none" or outline[2] < 2 or outline[3]:
            unseen.append(f"{role} {name} {outline}")
    assert not unseen, unseen
    names = [name for _, name in seen]
    assert [tag for tag in tags if tag not in names] == []
    # In the order of reading: the way past the ways, then they, then the view, then the foot.
    assert seen[0][0] == "link"
    first_tank = min(names.index(tag) for tag in tags)
    ways = page.all("navigation")[0].all("link")
    assert all(names.index(each.name) < first_tank for each in ways)
    assert first_tank < max(index for index, (role, _) in enumerate(seen) if role == "combobox")


def test_the_way_past_the_ways_leads_into_the_view(page: Page, site: DemoSite) -> None:
    page.open()
    page.says(LIVE)
    page.press(Keys.TAB)
    page.press(Keys.ENTER)
    assert page.script("return document.activeElement.id") == "main"
    # A way leads there too: who goes by ear goes on in the new view, whose name the tab bears.
    page.find("navigation").find("link", "Alarms").click()
    eventually(lambda: page.script("return document.activeElement.id") == "main", "the view has the focus")
    eventually(lambda: page.script("return document.title").startswith("Alarms"), "the tab bears the view's name")


def test_who_hears_the_page_hears_what_others_see(page: Page, site: DemoSite) -> None:
    """A tank's ruler is a picture: its name says level, quality and limits, as the documents have them."""
    page.open()
    page.says(LIVE)
    assert eventually(lambda: page.all("heading"), "there are headings")[0].name
    assert page.find("banner").text
    assert page.find("contentinfo").text
    page.find("main")
    level = site.inventory("J-3")["figures"]["level"]["value"]
    rulers = eventually(lambda: page.all("image", re.compile(re.escape(f"{level:.3f} m"))), "the ruler says the level")
    assert any("maximum working 9.600 m" in each.name for each in rulers), [each.name for each in rulers]


def test_a_reader_of_us_units_sees_no_others(page: Page, site: DemoSite) -> None:
    """Wherever a number stands, but in sentences of the gateway's own and on what is signed and filed."""
    page.open()
    page.says(LIVE)
    page.find("combobox", "Units").element.send_keys("US")
    page.says(re.compile(r"\d+' \d+"))
    metric = {}
    for place in ("#/", "#/tank/TK-101", "#/transfers"):
        settled(page, place)
        left = page.script(
            "const left = [];"
            "const walker = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);"
            "for (let node = walker.nextNode(); node; node = walker.nextNode())"
            " if (!node.parentElement.closest('.why, .need, details:not([open])'))"
            " left.push(node.parentElement.textContent);"
            "return left;"
        )
        found = {text for text in left if re.fullmatch(r"[-\d,.\s?✎]*(m³|°C|kPa|kg/m³|m³/h|t|m)", text.strip())}
        if found:
            metric[place] = found
    assert not metric
