"""The mail of each day: each local day once, over changes of the clock and over restarts."""

import asyncio
import threading
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.asked_late import AskedLate
from gateway.delivery.mail.still_alive import Days, latest_due, lost_before, still_alive_letter
from gateway.history import KeptEvent
from gateway.reasons import ReasonCode, because
from gateway.status import Trouble
from gateway.tank_record import Event, EventKind, Identity
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, Priority
from tests.delivery.test_mail import Yard
from tests.support.alarm_events import alarm_event, alarm_now, standing_of
from tests.support.deliveries import until
from tests.support.mail_server import MailServer
from tests.support.records import BOOT, NOON, bad, record, snapshot

LONDON = ZoneInfo("Europe/London")
SEVEN = time(7)
OLD_BOOT = "ff" * 16


def stopped(instant: datetime) -> KeptEvent:
    return KeptEvent(1, Identity("harbour", "", OLD_BOOT, 9), 0, Event(EventKind.GATEWAY_STOPPED, instant, OLD_BOOT))


def broke_off(last: datetime, now: datetime) -> KeptEvent:
    reason = because(ReasonCode.BROKE_OFF, "nothing after {last:utc} is known", last=last.timestamp())
    event = Event(EventKind.GATEWAY_BROKE_OFF, now, OLD_BOOT, reason)
    return KeptEvent(1, Identity("harbour", "", BOOT, 1), 0, event)


@given(
    st.sampled_from(
        ["UTC", "Europe/London", "America/Sao_Paulo", "Asia/Kolkata", "Pacific/Apia", "Australia/Lord_Howe"]
    ),
    st.times().map(lambda at: at.replace(second=0, microsecond=0, tzinfo=None)),
    st.datetimes(datetime(2000, 1, 2), datetime(2040, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001 (hypothesis adds it)
)
def test_every_day_has_one_due_time_and_the_latest_is_not_ahead(zone: str, at: time, now: datetime) -> None:
    where = ZoneInfo(zone)
    due = latest_due(at, where, now)
    assert due <= now
    following = latest_due(at, where, due + timedelta(hours=26))
    # A day of 23 to 25 h; at the date line a day may be missing, which then has no mail either.
    assert timedelta(hours=22) <= following - due <= timedelta(hours=50)
    assert latest_due(at, where, due) == due
    assert latest_due(at, where, due - timedelta(microseconds=1)) < due


@pytest.mark.parametrize(("day", "utc_hour"), [(date(2026, 3, 28), 7), (date(2026, 3, 29), 6), (date(2026, 10, 25), 7)])
def test_it_follows_summer_time(day: date, utc_hour: int) -> None:
    """Arithmetic: 07:00 is 07:00 UTC in winter and 06:00 UTC in summer, in 2026 from 29 March to 25 October."""
    due = latest_due(SEVEN, LONDON, datetime(day.year, day.month, day.day, 12, tzinfo=UTC))
    assert due == datetime(day.year, day.month, day.day, utc_hour, tzinfo=UTC)


def told(days: Days, *instants: datetime) -> list[datetime]:
    """When mails go out, looked at at these instants."""
    sent = []
    for instant in instants:
        due = days.due(LONDON, instant)
        if due is not None:
            sent.append(instant)
            days.settle(due)
    return sent


def hours(first: datetime, count: int) -> list[datetime]:
    return [first + timedelta(hours=each) for each in range(count)]


def test_one_a_day_and_one_at_the_start_where_nothing_is_known() -> None:
    days = Days(SEVEN)
    sent = told(days, *hours(NOON, 50))
    assert sent[0] == NOON
    assert [(each - timedelta(minutes=0)).hour for each in sent[1:]] == [7, 7]


def test_what_the_process_before_has_sent_is_not_sent_again() -> None:
    seven = NOON.replace(hour=7, minute=0)
    for ended, due_at_start in [
        (seven + timedelta(minutes=5), False),
        (seven - timedelta(minutes=5), True),
        (seven - timedelta(days=3), True),
    ]:
        for before in (stopped(ended), broke_off(ended, NOON)):
            days = Days(SEVEN)
            days.hear(before, BOOT)
            assert bool(told(days, NOON)) is due_at_start
            assert len(told(days, *hours(NOON, 24))) == 1, "that of the next day comes in any case"


def test_where_the_process_before_could_not_send_it_is_sent() -> None:
    """What waited there for longer than a mail takes shows that none went out."""
    ended = NOON - timedelta(minutes=10)
    for waited, is_sent in [(timedelta(hours=3), True), (timedelta(seconds=20), False)]:
        days = Days(SEVEN)
        days.hear(alarm_event(1, boot=OLD_BOOT, instant=ended - waited), BOOT)
        days.hear(stopped(ended), BOOT)
        assert bool(told(days, NOON)) is is_sent


def test_where_the_mail_server_was_away_when_the_process_before_ended_it_is_sent() -> None:
    """Nothing waited there, as nothing had happened; what tells it is the alarm of the destination."""
    started = NOON - timedelta(minutes=1)
    standing = AlarmStanding(
        "destination_lost.mail", AlarmKind.DESTINATION_LOST, AlarmPhase.ACKNOWLEDGED, Priority.LOOK, True, NOON
    )
    for raised, is_active, is_sent in [
        (NOON - timedelta(hours=6), True, True),
        (NOON - timedelta(hours=6), False, False),
        (NOON, True, False),
    ]:
        alarm = AlarmNow("", standing._replace(raised=raised, is_active=is_active), "c", "a", None)
        seen = snapshot()._replace(alarms=(alarm,), started_ns=round(started.timestamp() * 1e9))
        days = Days(SEVEN)
        days.hear(stopped(started), BOOT)
        assert not lost_before(seen, "other")
        assert (days.due(LONDON, NOON, was_away=lost_before(seen, "mail")) is not None) is is_sent


def test_where_the_process_before_ended_just_after_it_was_due_it_is_sent() -> None:
    seven = NOON.replace(hour=7, minute=0)
    days = Days(SEVEN)
    days.hear(stopped(seven + timedelta(seconds=90)), BOOT)
    assert told(days, NOON) == [NOON], "twice perhaps, and not never"


@given(st.lists(st.integers(-400, 400), min_size=1, max_size=60))
def test_a_clock_that_is_set_to_and_fro_neither_silences_it_nor_makes_it_flood(steps: list[int]) -> None:
    """Steps in hours. Each step gives one mail at most, and two days of a clock that goes well always one."""
    days, now, sent = Days(SEVEN), NOON, 0
    for step in steps:
        now += timedelta(hours=step)
        sent += len(told(days, now, now, now))
    assert sent <= len(steps)
    assert told(days, *hours(now, 60))


def test_off_is_off() -> None:
    assert told(Days(None), *hours(NOON, 50)) == []


def test_what_it_says() -> None:
    state = snapshot(record("TK-1"), record("TK-2", level=bad()))._replace(tanks=("TK-1", "TK-2", "TK-3"))
    (destination,) = state.destinations
    state = state._replace(
        destinations=(destination._replace(connected=False, troubles=(Trouble("x", "it is full"),)),)
    )
    alarms = (
        alarm_now("TK-9", standing_of(AlarmKind.MINIMUM, AlarmPhase.NORMAL)),
        alarm_now("TK-1", standing_of(AlarmKind.WATER_HIGH, priority=Priority.LOOK)),
        alarm_now("TK-2", standing_of(phase=AlarmPhase.ACKNOWLEDGED, by="ann")),
        alarm_now("TK-3", standing_of(phase=AlarmPhase.SHELVED, by="bob", until=NOON + timedelta(hours=2))),
        alarm_now("", standing_of(AlarmKind.LINE_LOST, name="line_lost.east", priority=Priority.SOON)),
    )
    letter = still_alive_letter(state, alarms, NOON.replace(hour=7), LONDON, 3)
    assert letter.subject == "Still alive: 3 alarms, 1 hidden, 2 of 3 tanks not Good, harbour"
    lines = letter.text.splitlines()
    assert "Alarms that are active or not acknowledged: 3" in lines
    shown = [line.split(",")[0].strip() for line in lines if line.startswith(("  NOW", "  SOON", "  LOOK"))]
    assert shown == [
        "NOW  TK-2  high-high",
        "SOON  gateway  line lost east",
        "LOOK  TK-1  water high",
        "NOW  TK-3  high-high",
    ]
    assert any("shelved since" in line and "by bob until 2026-03-14 14:00+00:00" in line for line in lines)
    assert "  TK-3  nothing yet" in lines
    assert "  TK-2  Bad: gauge did not answer within 1 s" in lines
    assert "  instruments without an answer: TT-1" in lines
    assert "  destination mqtt: it is full" in lines
    assert "  3 events wait for the next mail about alarms" in lines
    assert "Monitoring only." in letter.text


async def test_how_instruments_and_destinations_do_is_asked_of_them_in_their_own_thread() -> None:
    """The letter is written in another, in which what they count would change while it is looked through."""
    asked: list[threading.Thread] = []

    def late(told: Sequence[Any]) -> AskedLate[Any]:
        def ask() -> Sequence[Any]:
            asked.append(threading.current_thread())
            return told

        return AskedLate(ask)

    server = MailServer()
    await server.start()
    try:
        yard = Yard(server, still_alive=SEVEN)
        instruments, destinations = yard.state.instruments, yard.state.destinations
        yard.state = yard.state._replace(instruments=late(instruments), destinations=late(destinations))
        async with yard.running():
            await until(lambda: any("without an answer: TT-1" in mail.text for mail in server.mails))
    finally:
        await server.stop()
    assert asked == [threading.current_thread()] * 2


@pytest.fixture
def of_the_day() -> Callable[[MailServer], list[str]]:
    return lambda server: [mail.subject for mail in server.mails if "Still alive" in mail.subject]


async def test_it_comes_at_the_start_and_when_the_day_comes(of_the_day: Callable[[MailServer], list[str]]) -> None:
    server = MailServer()
    await server.start()
    try:
        yard = Yard(server, still_alive=SEVEN)
        async with yard.running():
            await until(lambda: len(of_the_day(server)) == 1)
        # While the server is away it is tried until it has gone out.
        await server.stop()
        yard = Yard(server, still_alive=SEVEN)
        async with yard.running() as made:
            await asyncio.sleep(1.5)
            assert not made.status().connected
            await server.start()
            await until(lambda: len(of_the_day(server)) == 2)
            yard.outbox.add(alarm_event(1))
            await yard.drained()
        assert of_the_day(server)[0] == "Still alive: 0 alarms, 0 hidden, 0 of 0 tanks not Good, harbour"
        # One and the same day has one identifier, so that a mail program can tell a repeat.
        assert len({mail.message["Message-ID"] for mail in server.mails if "Still" in mail.subject}) == 1
    finally:
        await server.stop()
