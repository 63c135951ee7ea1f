"""What decides about mails, without a server: how many go out, who has been told how far, and what one of them says."""

from datetime import timedelta
from email import message_from_bytes, policy
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.delivery.mail.alarms import Wish, items_of, wanted
from gateway.delivery.mail.allowance import Allowance
from gateway.delivery.mail.letter import About, alarm_letter
from gateway.delivery.mail.message import message_of
from gateway.delivery.mail.people import People
from gateway.delivery.mail.words import subject_of, value_words
from gateway.history import KeptEvent
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmKind, Priority
from tests.support.alarm_events import alarm_event, alarm_now, standing_of
from tests.support.records import NOON

_steps = st.lists(st.tuples(st.floats(0.0, 1800.0), st.booleans()), max_size=200)


@given(st.integers(2, 60), _steps)
def test_in_no_hour_are_there_more_mails_than_the_limit(most: int, steps: list[tuple[float, bool]]) -> None:
    allowance, now_s, sent = Allowance(most, 0.0), 0.0, []
    for step_s, urgent in steps:
        now_s += step_s
        if allowance.permits(now_s, urgent=urgent):
            allowance.spend(now_s)
            sent.append(now_s)
    for first in sent:
        # An hour, of which the last instant is the next one's.
        assert sum(first <= each < first + 3600.0 - 1e-6 for each in sent) <= most + 1


@given(st.integers(2, 60), _steps)
def test_what_is_held_back_is_never_held_for_long(most: int, steps: list[tuple[float, bool]]) -> None:
    """A bucket of half the limit fills again in an hour, so that one mail takes 7200 s / limit, and half a bucket more
    for what is not urgent."""
    allowance, now_s = Allowance(most, 0.0), 0.0
    for step_s, urgent in steps:
        now_s += step_s
        if allowance.permits(now_s, urgent=urgent):
            allowance.spend(now_s)
    assert allowance.permits(now_s + 7200.0 / most + 1e-3, urgent=True)
    assert allowance.permits(now_s + 3600.0 + 1e-3, urgent=False)


_people = st.lists(st.sampled_from("abcd"), unique=True, min_size=1, max_size=4).map(tuple)


@given(_people, st.lists(st.tuples(st.integers(1, 5), st.sets(st.sampled_from("abcd")), st.booleans()), max_size=40))
def test_the_cursor_never_passes_anybody_and_nobody_is_told_twice(
    to: tuple[str, ...], rounds: list[tuple[int, set[str], bool]]
) -> None:
    """In each round some more comes and the server takes the mail for some; now and then the connection ends."""
    people, cursor, newest = People(to, ()), 0, 0
    has: dict[str, list[int]] = {address: [] for address in to}
    taken_to = 0
    for more, fails, reconnects in rounds:
        newest += more
        if reconnects:
            taken_to = cursor
        taken_to = newest
        for ahead, addresses in people.groups(escalated=False).items():
            fresh = [each for each in range(cursor + 1, taken_to + 1) if each > ahead]
            reached = [address for address in addresses if address not in fails]
            for address in reached:
                has[address] += fresh
            people.told(reached, taken_to, escalated=False)
        people.told(to, taken_to, escalated=True)
        if people.all_told(taken_to):
            cursor = taken_to
        assert all(has[address][:cursor] == list(range(1, cursor + 1)) for address in to)
    assert all(found == sorted(set(found)) for found in has.values())


def test_who_cannot_be_told_is_passed_over_in_the_end_but_never_everybody() -> None:
    people = People(("a", "b"), ())
    assert people.give_up(7) == (), "as long as nobody has been told, all of it waits"
    people.told(("a",), 7, escalated=False)
    people.told(("a", "b"), 7, escalated=True)
    assert not people.all_told(7)
    assert people.give_up(7) == ["b"]
    assert people.all_told(7)


def test_who_is_put_off_for_a_day_holds_up_the_cursor_no_more() -> None:
    people = People(("a", "b"), ())
    assert people.put_off("b", 1000.0, escalated=False)
    assert people.put_off("b", 1000.0 + 200_000.0, escalated=False), "nobody else was told either"
    people.told(("a",), 1, escalated=False)
    assert people.put_off("b", 1000.0 + 86_399.0, escalated=False)
    assert not people.put_off("b", 1000.0 + 86_400.0, escalated=False)
    people.told(("b",), 1, escalated=False)
    assert people.put_off("b", 90_000.0, escalated=False), "it counts anew after one that arrived"


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        (AlarmKind.HIGH_HIGH, 13.56, "13.560 m"),
        (AlarmKind.TEMPERATURE_HIGH, 61.25, "61.3 °C"),
        (AlarmKind.WATER_HIGH, 0.052, "0.052 m"),
        (AlarmKind.PRESSURE_HIGH, 540_000.0, "540.00 kPa"),
        (AlarmKind.FILL_HIGH, 0.853, "85.3 %"),
        # 300 m3/h is a twelfth of a cubic metre each second.
        (AlarmKind.FILLING_TOO_FAST, 300.0 / 3600.0, "300 m³/h"),
        (AlarmKind.HIGH_HIGH_SOON, 540.0, "9 min"),
        (AlarmKind.SLOW_LOSS, 1.0, ""),
        (AlarmKind.HIGH_HIGH, None, ""),
    ],
)
def test_a_value_has_its_unit_or_is_left_to_the_reason(kind: AlarmKind, value: float | None, words: str) -> None:
    assert value_words(kind, value) == words


@pytest.mark.parametrize("kind", AlarmKind)
def test_every_kind_of_alarm_can_be_told(kind: AlarmKind) -> None:
    item = items_of([alarm_event(1, of=kind, value=1.5)], [alarm_now("TK-1", standing_of(kind, value=1.5))], NOON)
    letter = alarm_letter(item, (), About("harbour", ZoneInfo("UTC"), NOON, False))
    assert letter.subject.startswith("NOW TK-1 ")
    assert "_" not in letter.subject
    assert ("no" in letter.text and "leak-detection" in letter.text) == ("loss" in kind or "movement" in kind)


def test_what_steers_a_mail_or_a_terminal_stays_text() -> None:
    subject = subject_of("NOW TK\r\nBcc: all@depot.example\x1b[2J", "harbour", simulated=False)
    assert subject == "NOW TK??Bcc: all@depot.example?[2J, harbour"
    assert len(subject_of("x" * 500, "harbour", simulated=True)) <= 110


_events = st.lists(
    st.tuples(
        st.sampled_from([EventKind.ALARM_RAISED, EventKind.ALARM_RETURNED, EventKind.ALARM_ACKNOWLEDGED]),
        st.sampled_from(["TK-1", "TK-2", ""]),
        st.sampled_from([AlarmKind.HIGH_HIGH, AlarmKind.MINIMUM]),
        st.sampled_from(Priority),
        st.integers(0, 10_000),
    ),
    min_size=1,
    max_size=60,
)


@given(_events, st.booleans(), st.sets(st.sampled_from(["TK-1", "TK-2", ""])), st.booleans())
def test_each_wanted_alarm_is_in_the_mail_once_and_no_old_one_looks_new(
    drawn: list[tuple[EventKind, str, AlarmKind, Priority, int]], escalated: bool, known: set[str], simulated: bool
) -> None:
    events = sorted(
        (
            alarm_event(index, kind, tank, of, priority, instant=NOON - timedelta(seconds=age_s))
            for index, (kind, tank, of, priority, age_s) in enumerate(drawn, 1)
        ),
        key=lambda each: each.event.instant,
    )
    wish = Wish((Priority.NOW, Priority.SOON), (), True)
    mine: list[KeptEvent] = [each for each in events if wanted(each, wish, escalated=False)]
    if not mine:
        return
    alarms = [alarm_now(tank, standing_of()) for tank in known]
    items = items_of(mine, alarms, NOON)
    assert {(item.tank, item.name) for item in items} == {(each.identity.tank, each.event.subject) for each in mine}
    assert len({(item.tank, item.name) for item in items}) == len(items)
    newest = {(each.identity.tank, each.event.subject): each for each in mine}
    for item in items:
        assert item.is_late == ((NOON - newest[item.tank, item.name].event.instant).total_seconds() > 300.0)
    ranks = [(item.over is not None, item.priority.rank) for item in items]
    assert ranks == sorted(ranks)
    letter = alarm_letter(items, (), About("harbour", ZoneInfo("UTC"), NOON, simulated, escalated))
    assert ("LATE, of " in letter.subject) == items[0].is_late
    assert letter.subject.startswith("SIMULATED") == simulated
    assert ("This comes late" in letter.text) == any(item.is_late for item in items)
    assert letter.is_urgent == any(item.over is None and item.priority is Priority.NOW for item in items)
    assert "Monitoring only." in letter.text


_STEERS = (
    "=?utf-8?q?=0ABcc:_x=40y.example?=",
    "=?x?Q?=0A0:",
    "a\r\nBcc: x@y.example",
    "\x85Bcc: z",
    "\u2028",
    "x" * 300,
)


@given(st.text(max_size=40) | st.sampled_from(_STEERS), st.text(max_size=20) | st.sampled_from(_STEERS))
@example("TK-1", "=?utf-8?q?=0ABcc:_x=40y.example?=")
def test_no_name_brings_a_header_of_its_own(tank: str, site: str) -> None:
    """An encoded word (RFC 2047) in a name would be decoded when the header is written, its line end with it."""
    event = alarm_event(1, tank=tank)
    items = items_of([event], (), NOON, 3600.0)
    letter = alarm_letter(items, (), About(site, ZoneInfo("Europe/Lisbon"), NOON, simulated=True))
    written = message_of(letter, "a@b.example", ("c@d.example",), NOON, "key").as_bytes()
    message = message_from_bytes(written, policy=policy.default)
    headers = "From To Subject Date Message-ID Auto-Submitted Importance Content-Type Content-Transfer-Encoding"
    assert sorted(message.keys()) == sorted([*headers.split(), "MIME-Version"])
    assert "".join(str(message["Subject"]).split()) == "".join(letter.subject.split())
