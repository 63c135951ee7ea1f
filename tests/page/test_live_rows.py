"""code/live.js on a stream that the test plays: what a row's own validity says, and what is forgotten."""

from datetime import UTC, datetime, timedelta
from typing import Any

from tests.page.reading import Page

_PLAYED = """
window.__ahead = 0;
const realNow = performance.now.bind(performance);
Date.now = () => realNow() + performance.timeOrigin + window.__ahead;
performance.now = () => realNow() + window.__ahead;
window.EventSource = class extends EventTarget {
  static CLOSED = 2;
  constructor() { super(); this.readyState = 1; window.__stream = this; }
  close() { this.readyState = 2; }
};
window.__tell = (kind, content) =>
  window.__stream.dispatchEvent(new MessageEvent(kind, { data: JSON.stringify(content), lastEventId: "a:1" }));
"""
_STATE = """
const live = await import("/page/code/live.js");
return [live.link.value, ...arguments[0].map((tag) => live.isLive(live.row(tag).value))];
"""


def _begun(page: Page) -> None:
    page.at_start(_PLAYED)
    # The site's document is not what this is about: there is none.
    page.open("")
    page.promise("(await import('/page/code/live.js')).begin()")


def _row(now: datetime, valid_s: float | None) -> dict[str, Any]:
    until = None if valid_s is None else f"{now + timedelta(seconds=valid_s):%Y-%m-%dT%H:%M:%S.%fZ}"
    return {"time": f"{now:%Y-%m-%dT%H:%M:%S.%fZ}", "valid_until": until, "quality": "Good"}


def test_a_row_is_live_no_longer_than_it_is_valid(modules: Page) -> None:
    """The gateway is heard all the while; one tank is told anew, one is not, one has no end."""
    _begun(modules)
    tags = ["SHORT", "AGAIN", "ENDLESS"]
    begun = datetime.now(UTC)
    rows = {"SHORT": _row(begun, 12.0), "AGAIN": _row(begun, 12.0), "ENDLESS": _row(begun, None)}
    told = {"time": f"{begun:%Y-%m-%dT%H:%M:%S.%fZ}", "tanks": rows, "alarms": []}
    modules.script("__tell('view', arguments[0])", told)
    assert modules.promise(_STATE, tags) == ["live", True, True, True]
    for seconds in range(2, 21, 2):
        now = begun + timedelta(seconds=seconds)
        modules.script("__ahead = arguments[0]", seconds * 1000)
        change = {"time": f"{now:%Y-%m-%dT%H:%M:%S.%fZ}", "tanks": {"AGAIN": _row(now, 12.0)}}
        modules.script("__tell('change', arguments[0])", change)
        # What the test itself takes is part of the age: it is told only well before and well after the end.
        state = modules.promise(_STATE, tags)
        assert state[0] == "live"
        assert state[2:] == [True, True]
        if seconds <= 8:
            assert state[1] is True, seconds
        if seconds >= 12:
            assert state[1] is False, seconds
    # Then nothing more is heard: nothing is live, whatever its row says.
    modules.script("__ahead = arguments[0]", 40_000)
    assert modules.promise("await new Promise((go) => setTimeout(go, 1100));" + _STATE, tags) == [
        "silent",
        False,
        False,
        False,
    ]


def test_a_tank_that_is_told_no_more_is_gone(modules: Page) -> None:
    _begun(modules)
    now = datetime.now(UTC)
    view = {"time": f"{now:%Y-%m-%dT%H:%M:%S.%fZ}", "tanks": {"ONE": _row(now, 30.0), "TWO": _row(now, 30.0)}}
    modules.script("__tell('view', arguments[0])", view)
    view["tanks"] = {"ONE": _row(now, 30.0)}
    modules.script("__tell('view', arguments[0])", view)
    left = "const live = await import('/page/code/live.js'); return [live.row('ONE').value, live.row('TWO').value]"
    one, two = modules.promise(left)
    assert one["quality"] == "Good"
    assert two is None


def test_a_gateway_that_answered_late_once_is_asked_again_and_is_live(modules: Page) -> None:
    """It stood still while it was asked: its first word came 30 s after the question, all others come at once."""
    _begun(modules)
    word = """
    window.__ahead = arguments[0];
    const time = new Date(Date.now()).toISOString();
    const until = new Date(Date.now() + 30_000).toISOString();
    __tell("view", { time, tanks: { ONE: { time, valid_until: until, quality: "Good" } } });
    """

    def told(seconds: float) -> list[Any]:
        modules.script(word, int(seconds * 1000))
        state: list[Any] = modules.promise("await new Promise((go) => setTimeout(go, 700));" + _STATE, ["ONE"])
        return state

    modules.script("window.__first = __stream")
    assert told(30.0) == ["late", False]
    # A new question, on a gateway that answers at once.
    for seconds in range(32, 140, 4):
        if told(float(seconds)) == ["live", True]:
            break
    else:
        raise AssertionError("it has been asked, and passes for late for ever")
    assert modules.script("return __stream !== __first")


_UNKNOWN = """
const { isUnknown } = await import("/page/code/views/overview.js");
return arguments[0].filter(isUnknown);
"""


def test_nothing_moves_is_said_of_what_is_known_to_rest_alone(modules: Page) -> None:
    """What has no row, has lost its level, or is valid no longer may move unseen."""
    _begun(modules)
    begun = datetime.now(UTC)
    rows = {
        "RESTS": {**_row(begun, None), "motion": "at_rest"},
        "LOST": {**_row(begun, None), "motion": "unknown"},
        "OLD": {**_row(begun - timedelta(hours=1), 12.0), "motion": "at_rest"},
    }
    told = {"time": f"{begun:%Y-%m-%dT%H:%M:%S.%fZ}", "tanks": rows, "alarms": []}
    modules.script("__tell('view', arguments[0])", told)
    assert modules.promise(_UNKNOWN, [*rows, "AWAITED"]) == ["LOST", "OLD", "AWAITED"]


_OVERVIEW = """
const { site, tags } = await import("/page/code/live.js");
const { html, render } = await import("/page/code/html.js");
const { speak } = await import("/page/code/words.js");
const { Overview } = await import("/page/code/views/overview.js");
await speak("en");
site.set({ name: "night", tanks: {}, time_factor: 1 });
render(html`<${Overview} />`, document.querySelector("main"));
"""
_WAITS = """
await new Promise((go) => setTimeout(go, 1500));
return document.querySelector("main").innerText;
"""


def test_what_waited_for_a_second_person_is_over_when_it_ends_also_where_nothing_is_heard(modules: Page) -> None:
    _begun(modules)
    begun = datetime.now(UTC)

    def ends(hours: int) -> str:
        return f"{begun + timedelta(hours=hours):%Y-%m-%dT%H:%M:%SZ}"

    asked = [
        {"request": number, "action": "day-close", "tank": None, "by": f"asker{number}@page", "ends": ends(number)}
        for number in (1, 5)
    ]
    proposed = [{"number": 1, "by": "proposer@page", "ends": ends(2), "version": 0}]
    now = f"{begun:%Y-%m-%dT%H:%M:%S.%fZ}"
    told = {"time": now, "tanks": {}, "alarms": [], "waiting": asked, "site_file": proposed}
    modules.script("__tell('view', arguments[0])", told)
    modules.promise(_OVERVIEW)
    first = modules.promise(_WAITS)
    assert "2 requests wait for a second person" in first
    assert "proposer@page" in first
    # Three hours later nothing has been heard: of the three one still waits.
    modules.script("__ahead = arguments[0]", 3 * 3_600_000)
    later = modules.promise(_WAITS)
    assert "1 request waits for a second person" in later
    assert "asker5@page" in later
    assert "asker1@page" not in later
    assert "proposer@page" not in later
