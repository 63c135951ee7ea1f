"""What is typed into a dialog, as the text that the gateway is sent: times against zoneinfo, numbers against the units
that the door itself reads by."""

import random
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gateway.settings.reading.fields import read_instant
from gateway.units.quantity import Dimension, parse_quantity
from tests.page.reading import Page

ZONES = (
    # By the IANA time zone database: half hours, three quarters, a change of half an hour, at midnight, of a whole day.
    *("UTC", "Europe/London", "America/Chicago", "Asia/Kolkata", "Asia/Kathmandu", "Australia/Lord_Howe"),
    *("America/Havana", "America/Sao_Paulo", "Pacific/Chatham", "Pacific/Apia"),
)
_WALLS = """
const { instantsOf, utcText, wallOf } = await import("/page/code/parts/zoned.js");
return arguments[0].map(({ zone, wall, ms }) => ({
  instants: instantsOf(wall, zone).map(utcText),
  shown: wallOf(ms, zone),
}));
"""
_TEXTS = """
const { change } = await import("/page/code/taste.js");
const { textOf } = await import("/page/code/parts/typed.js");
return arguments[0].map(({ numbers, field, value }) => {
  change({ numbers });
  return textOf(field, value);
});
"""
_GROUPED = """
const { grouped } = await import("/page/code/parts/alarm_order.js");
return arguments[0].map((alarms) => {
  const found = grouped(alarms);
  return Object.fromEntries(Object.entries(found).map(([name, own]) => [name, own.map((each) => each.number)]));
});
"""


def _instants(wall: datetime, zone: ZoneInfo) -> list[str]:
    """All at which a clock there shows it, by PEP 495: none in a gap, two in a fold."""
    found = {wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return [f"{each:%Y-%m-%dT%H:%MZ}" for each in sorted(found) if each.astimezone(zone).replace(tzinfo=None) == wall]


def _changes(zone: ZoneInfo, first: datetime) -> list[datetime]:
    """Around each change of the offset within a year: that minute by the clock before and after, and some beside it."""
    found = []
    for hour in range(366 * 24):
        at = first + timedelta(hours=hour)
        if at.astimezone(zone).utcoffset() != (at + timedelta(hours=1)).astimezone(zone).utcoffset():
            found += [at + timedelta(minutes=minute) for minute in range(-120, 181, 10)]
    return found


def test_a_time_by_the_sites_clock_is_the_instant_that_it_is_there(modules: Page) -> None:
    chance = random.Random(20261128)
    cases = []
    for name in ZONES:
        zone = ZoneInfo(name)
        # Of years gone by: of those to come the browser may have been told another law than this machine.
        first = datetime(2011 if name == "Pacific/Apia" else 2023, 1, 1, tzinfo=UTC)
        instants = [first + timedelta(minutes=chance.randrange(366 * 1440)) for _ in range(40)]
        for instant in (*instants, *_changes(zone, first)):
            shown = instant.astimezone(zone).replace(tzinfo=None)
            cases += [(zone, wall, instant) for wall in (shown, shown + timedelta(minutes=30))]
    asked = [
        {"zone": str(zone), "wall": f"{wall:%Y-%m-%dT%H:%M}", "ms": instant.timestamp() * 1000}
        for zone, wall, instant in cases
    ]
    told = modules.promise(_WALLS, asked)
    counts = set()
    for (zone, wall, instant), each in zip(cases, told, strict=True):
        assert each["shown"] == f"{instant.astimezone(zone):%Y-%m-%dT%H:%M}", (zone, instant)
        assert each["instants"] == _instants(wall, zone), (zone, wall)
        counts.add(len(each["instants"]))
    assert counts == {0, 1, 2}


def _quantity(numbers: str, number: str, unit: str, quantity: str) -> dict[str, Any]:
    return {
        "numbers": numbers,
        "field": {"kind": "quantity", "quantity": quantity},
        "value": {"number": number, "unit": unit},
    }


def test_a_number_is_read_as_its_reader_wrote_it_or_not_at_all(modules: Page) -> None:
    """CLDR: decimal comma in German and French, point in English and in the German of Switzerland."""
    chance = random.Random(1128)
    cases, wanted = [], []
    for _ in range(200):
        places = chance.randrange(4)
        plain = f"{chance.uniform(-20, 30):.{places}f}"
        numbers, mark = chance.choice([("en-GB", "."), ("de-DE", ","), ("fr-FR", ","), ("de-CH", ".")])
        cases.append(_quantity(numbers, plain.replace(".", mark), "m", "length"))
        wanted.append(float(plain))
    told = modules.promise(_TEXTS, cases)
    for case, value, each in zip(cases, wanted, told, strict=True):
        assert parse_quantity(each["text"], Dimension.LENGTH) == value, case


@pytest.mark.parametrize(
    ("numbers", "typed", "sent"),
    [
        # Nine metres or nine thousand millimetres: by the form of whoever typed it, and no guess.
        ("de-DE", "9.412", None),
        ("de-DE", "9.412,5", None),
        ("de-DE", "9,412,5", None),
        ("de-DE", "9412", "9412 mm"),
        # What the gateway refuses with what would be right is its own to refuse.
        ("en-GB", "9,412", "9,412 mm"),
        ("en-GB", "nine", "nine mm"),
        ("en-GB", "  9412 ", "9412 mm"),
        ("en-GB", "", ""),
    ],
)
def test_a_mark_that_may_mean_two_things_is_refused(modules: Page, numbers: str, typed: str, sent: str | None) -> None:
    (told,) = modules.promise(_TEXTS, [_quantity(numbers, typed, "mm", "length")])
    assert told.get("text") == sent
    assert ("mistake" in told) == (sent is None)


@pytest.mark.parametrize(
    ("typed", "sent"), [("9.412 mm", None), ("31 ft 7,5 in", "31 ft 7.5 in"), ("31' 7-5/16\"", "31' 7-5/16\"")]
)
def test_a_point_between_thousands_is_refused_also_where_the_unit_is_typed(
    modules: Page, typed: str, sent: str | None
) -> None:
    """Nine thousand millimetres of a German reader are not 9 mm."""
    (told,) = modules.promise(_TEXTS, [_quantity("de-DE", typed, "", "length")])
    assert told.get("text") == sent
    assert ("mistake" in told) == (sent is None)


def test_feet_and_inches_are_typed_with_their_units(modules: Page) -> None:
    told = modules.promise(_TEXTS, [_quantity("en-US", "31' 7-5/16\"", "", "length")])
    # practice.md section 5, tank 10: 31 ft 7-5/16 in are 6069 sixteenths of an inch.
    assert parse_quantity(told[0]["text"], Dimension.LENGTH) == pytest.approx(6069 / 16 * 0.0254, abs=1e-12)


def test_a_given_time_is_one_that_the_gateway_reads(modules: Page) -> None:
    field = {"kind": "instant"}
    told = modules.promise(_TEXTS, [{"numbers": "", "field": field, "value": {"wall": "2026-11-28T06:00"}}])
    # Without a site its zone is not known, and UTC it is.
    assert read_instant(told[0]["text"]) == datetime(2026, 11, 28, 6, tzinfo=UTC)


PRIORITIES = ("now", "soon", "look")
PHASES = ("unacknowledged", "returned", "acknowledged", "shelved", "suppressed", "out_of_service")
GROUPS = {"unacknowledged": "waiting", "returned": "waiting", "acknowledged": "seen"}


def _alarms(chance: random.Random) -> list[dict[str, Any]]:
    orders = {"T-1": 0, "T-2": 0}
    found = []
    for number in range(chance.randrange(12)):
        tank = chance.choice([None, "T-1", "T-2"])
        order = None
        if tank is not None:
            orders[tank] += 1
            order = orders[tank]
        raised = datetime(2026, 11, 28, tzinfo=UTC) + timedelta(minutes=chance.randrange(-600, 600))
        alarm = {"phase": chance.choice(PHASES), "priority": chance.choice(PRIORITIES), "order": order}
        alarm |= {"raised": None if chance.random() < 0.1 else raised.isoformat(), "since": raised.isoformat()}
        found.append({"number": number, "tank": tank, "alarm": alarm})
    chance.shuffle(found)
    return found


def test_alarms_stand_worst_first_and_what_came_first_before_what_followed(modules: Page) -> None:
    """None is lost, each is in one group; in a group priority decides, and within it and a tank the order of raising,
    whatever the clock said (ISA-18.2: the first-up alarm is to be told from those that follow it)."""
    chance = random.Random(182)
    lists = [_alarms(chance) for _ in range(300)]
    for alarms, groups in zip(lists, modules.promise(_GROUPED, lists), strict=True):
        by_number = {each["number"]: each for each in alarms}
        assert sorted(number for own in groups.values() for number in own) == sorted(by_number)
        for name, own in groups.items():
            rows = [by_number[number] for number in own]
            assert all(GROUPS.get(each["alarm"]["phase"], each["alarm"]["phase"]) == name for each in rows)
            ranks = [PRIORITIES.index(each["alarm"]["priority"]) for each in rows]
            assert ranks == sorted(ranks)
            for tank in ("T-1", "T-2"):
                for priority in PRIORITIES:
                    same = [
                        r["alarm"]["order"] for r in rows if (r["tank"], r["alarm"]["priority"]) == (tank, priority)
                    ]
                    assert same == sorted(same)


def test_more_than_ten_in_ten_minutes_are_a_flood(modules: Page) -> None:
    """ISA-18.2 / IEC 62682, as quoted publicly: more than ten within ten minutes; what is hidden is told to nobody."""
    now = datetime(2026, 11, 28, 12, tzinfo=UTC)

    def raised(count: int, seconds_ago: float, phase: str = "unacknowledged") -> list[dict[str, Any]]:
        at = (now - timedelta(seconds=seconds_ago)).isoformat()
        alarm = {"phase": phase, "priority": "soon", "order": None, "raised": at, "since": at}
        return [{"tank": "T-1", "alarm": alarm} for _ in range(count)]

    cases = [
        (raised(10, 5.0), 0),
        (raised(11, 5.0), 11),
        (raised(11, 599.0), 11),
        (raised(11, 600.0), 0),
        ([*raised(10, 5.0), *raised(5, 5.0, "shelved"), *raised(5, 5.0, "suppressed")], 0),
        ([*raised(6, 5.0, "acknowledged"), *raised(6, 5.0, "returned")], 12),
    ]
    code = (
        "const { floodOf } = await import('/page/code/parts/alarm_order.js');"
        "return arguments[0].map((alarms) => floodOf(alarms, arguments[1]));"
    )
    told = modules.promise(code, [alarms for alarms, _ in cases], now.timestamp() * 1000)
    assert told == [count for _, count in cases]


_DRAFTS = """
const { keepDraft, valuesAtFirst } = await import("/page/code/parts/act_course.js");
const { dip, maintenance } = await import("/page/code/parts/entry_acts.js");
const asks = [maintenance(["LT-1", "TT-1"], "T-1"), maintenance(["LT-2", "TT-2"], "T-2"), dip("T-1")];
keepDraft(asks[0], { ...valuesAtFirst(asks[0]).values, instrument: "LT-1", why: "new battery" });
return asks.map(valuesAtFirst).map(({ values, fromBefore }) => [values.instrument, values.why, fromBefore]);
"""


def test_a_draft_is_of_one_tank(modules: Page) -> None:
    """What was begun at one tank and left must not put its instrument in maintenance from the page of another."""
    first, other, dip = modules.promise(_DRAFTS)
    assert first == ["LT-1", "new battery", True]
    assert other == ["", "", False]
    assert dip == [None, "", False]


_CLOSED_AGAIN = """
const { html, render } = await import("/page/code/html.js");
const { speak } = await import("/page/code/words.js");
const { CloseDayButton } = await import("/page/code/parts/stock_acts.js");
await speak("en");
const main = document.querySelector("main");
const begun = async (day) => {
  render(html`<${CloseDayButton} key=${day} day=${day} />`, main);
  main.querySelector("button").click();
  while (!document.querySelector("dialog[open]")) await new Promise((go) => setTimeout(go, 10));
  return document.querySelector("dialog");
};
const first = await begun("2026-11-26");
const why = first.querySelector("textarea");
why.value = "late meter";
why.dispatchEvent(new InputEvent("input", { bubbles: true }));
first.dispatchEvent(new Event("cancel", { cancelable: true }));
return (await begun("2026-11-27")).querySelector("input").value;
"""


def test_a_day_that_is_closed_again_is_the_one_whose_button_was_pressed(modules: Page) -> None:
    assert modules.promise(_CLOSED_AGAIN) == "2026-11-27"
