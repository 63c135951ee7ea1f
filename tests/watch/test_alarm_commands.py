"""What people do to an alarm, and what is refused them in which words."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from gateway.tank_record import EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.commands import AlarmCommand, AlarmRefusedError, AlarmVerb, Longest, apply
from gateway.watch.alarms.memory import first_memory, phase_of
from tests.watch.alarm_life import MAINTENANCE, NAME, NOON, OFF, ON, PLAN, Life

ACKNOWLEDGE, SHELVE, UNSHELVE = AlarmVerb.ACKNOWLEDGE, AlarmVerb.SHELVE, AlarmVerb.UNSHELVE
OUT_OF_SERVICE, IN_SERVICE = AlarmVerb.OUT_OF_SERVICE, AlarmVerb.IN_SERVICE
HOUR_S, DAY_S = 3600.0, 86400.0


def refused(life: Life, verb: AlarmVerb, *, why: str = "", until: datetime | None = None, by: str = "bob") -> str:
    command = AlarmCommand(verb, NAME, by, why, until)
    with pytest.raises(AlarmRefusedError) as caught:
        apply(command, life.plan, NAME, life.memory, life.instant, life.steady_s)
    return str(caught.value)


def test_who_acknowledged_it_stands_with_it() -> None:
    life = Life()
    life.sheet(ON)
    life.events.clear()
    assert life.does(ACKNOWLEDGE, why="filling is being stopped") is AlarmPhase.ACKNOWLEDGED
    [event] = life.events
    assert (event.kind, event.by) == (EventKind.ALARM_ACKNOWLEDGED, "ann")
    assert event.reason is not None
    assert event.reason.text == "filling is being stopped"
    assert (life.standing.by, life.standing.why) == ("ann", "filling is being stopped")
    life.sheet(OFF)
    assert (life.standing.by, life.standing.why) == (None, "")


def test_nothing_to_acknowledge() -> None:
    life = Life()
    assert refused(life, ACKNOWLEDGE) == "high_high: there is nothing to acknowledge: it is normal"
    life.sheet(ON)
    life.does(ACKNOWLEDGE)
    assert refused(life, ACKNOWLEDGE) == (
        "high_high: there is nothing to acknowledge: it is acknowledged already, by ann"
    )
    life.does(SHELVE, for_s=60.0)
    assert refused(life, ACKNOWLEDGE) == "high_high: there is nothing to acknowledge: it is shelved; unshelve it first"
    life.does(OUT_OF_SERVICE, why="its gauge is exchanged", for_s=60.0)
    assert refused(life, ACKNOWLEDGE) == (
        "high_high: there is nothing to acknowledge: it is out of service; put it back into service first"
    )
    other = Life()
    other.sheet(ON._replace(suppressed=MAINTENANCE))
    assert refused(other, ACKNOWLEDGE) == (
        "high_high: there is nothing to acknowledge: it is suppressed by design, and comes back by itself if it holds "
        "then"
    )


@pytest.mark.outside("OPC 10000-9, 5.8.17.4: a server may refuse a time that is too long")
@pytest.mark.parametrize(
    ("verb", "until", "says"),
    [
        (SHELVE, None, "to shelve it needs an end: no more than 12.0 h ahead"),
        (
            SHELVE,
            datetime(2026, 3, 14, 13, 0),  # noqa: DTZ001
            "to shelve it needs an end with its time zone: no more than 12.0 h ahead",
        ),
        (OUT_OF_SERVICE, None, "to take it out of service needs an end: no more than 31 d ahead"),
        (SHELVE, NOON, "2026-03-14 12:00+00:00 is past: it is 2026-03-14 12:00 UTC by the clock of the gateway"),
        (
            SHELVE,
            NOON + timedelta(hours=12, seconds=60),
            "2026-03-15 00:01+00:00 is too far ahead: give 2026-03-15 00:00 UTC at the latest, "
            "which is 12.0 h from now",
        ),
        (
            OUT_OF_SERVICE,
            NOON + timedelta(days=32),
            "2026-04-15 12:00+00:00 is too far ahead: give 2026-04-14 12:00 UTC at the latest, which is 31 d from now",
        ),
    ],
)
def test_an_end_that_cannot_be(verb: AlarmVerb, until: datetime | None, says: str) -> None:
    assert refused(Life(), verb, why="its gauge is exchanged", until=until) == f"{NAME}: {says}"


@pytest.mark.parametrize(
    ("until", "says"),
    [
        (datetime.max.replace(tzinfo=timezone(timedelta(hours=-5))), "9999-12-31 23:59-05:00 is too far ahead"),
        (datetime.min.replace(tzinfo=timezone(timedelta(hours=5))), "0001-01-01 00:00+05:00 is past"),
    ],
)
def test_an_end_at_the_end_of_all_times_is_refused_like_any_other(until: datetime, says: str) -> None:
    assert refused(Life(), SHELVE, until=until).startswith(f"{NAME}: {says}")


@pytest.mark.outside("OPC 10000-9, 5.13, Table 137 with 5.7.3, 5.8.17.2 and 5.8.17.4: what is to be refused")
def test_what_the_model_refuses_is_refused() -> None:
    """Nothing to acknowledge (Bad_ConditionBranchAlreadyAcked), not shelved (Bad_ConditionNotShelved), a time that is
    out of range (Bad_ShelvingTimeOutOfRange), and the acknowledgement of what was not seen (an EventId of before)."""
    life = Life()
    assert "there is nothing to acknowledge" in refused(life, ACKNOWLEDGE)
    assert "it is not shelved" in refused(life, UNSHELVE)
    assert "too far ahead" in refused(life, SHELVE, until=life.instant + timedelta(days=1))
    life.sheet(ON)
    seen = life.standing.raised
    life.sheet(OFF)
    life.sheet(ON)
    command = AlarmCommand(ACKNOWLEDGE, NAME, "bob", raised=seen)
    with pytest.raises(AlarmRefusedError, match=r"^high_high: it was raised anew at 12:00:03 UTC: acknowledge that$"):
        apply(command, life.plan, NAME, life.memory, life.instant, life.steady_s)
    newest = command._replace(raised=life.standing.raised)
    memory, _ = apply(newest, life.plan, NAME, life.memory, life.instant, life.steady_s)
    assert phase_of(memory) is AlarmPhase.ACKNOWLEDGED


def test_what_was_raised_anew_as_the_clock_was_set_back_was_not_seen_either() -> None:
    life = Life()
    life.sheet(ON)
    command = AlarmCommand(ACKNOWLEDGE, NAME, "bob", raised=life.standing.raised)
    life.sheet(OFF)
    life.instant -= timedelta(hours=1)
    life.sheet(ON)
    with pytest.raises(AlarmRefusedError, match="it was raised anew at 11:00:03 UTC"):
        apply(command, life.plan, NAME, life.memory, life.instant, life.steady_s)


@pytest.mark.parametrize("cut", [timedelta(microseconds=999), timedelta(0)])
def test_what_was_seen_is_known_by_its_time_in_a_message(cut: timedelta) -> None:
    life = Life()
    life.sheet(ON)
    assert life.standing.raised is not None
    command = AlarmCommand(ACKNOWLEDGE, NAME, "bob", raised=life.standing.raised - cut)
    memory, _ = apply(command, life.plan, NAME, life.memory, life.instant, life.steady_s)
    assert phase_of(memory) is AlarmPhase.ACKNOWLEDGED


@pytest.mark.outside(
    "OPC 10000-9, 5.8.17.1 and 5.8.17.4: shelved for its time, active or not, whatever it does meanwhile"
)
def test_shelved_for_its_whole_time() -> None:
    life = Life()
    life.does(SHELVE, for_s=100.0)
    for _ in range(49):
        assert life.sheet(ON) is AlarmPhase.SHELVED
        assert life.sheet(OFF) is AlarmPhase.SHELVED
    assert life.sheet(ON) is AlarmPhase.SHELVED
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    assert life.told == [EventKind.ALARM_SHELVED, EventKind.ALARM_UNSHELVED, EventKind.ALARM_RAISED]


def test_the_longest_ends_are_taken() -> None:
    for verb, length_s in ((SHELVE, 12 * HOUR_S), (OUT_OF_SERVICE, 31 * DAY_S)):
        life = Life()
        assert life.does(verb, why="its gauge is exchanged", for_s=length_s) is not AlarmPhase.NORMAL
        life.sheet(OFF, length_s - 1.0)
        assert life.phase is not AlarmPhase.NORMAL
        assert life.sheet(OFF) is AlarmPhase.NORMAL


def test_a_site_may_allow_less() -> None:
    command = AlarmCommand(SHELVE, NAME, "ann", until=NOON + timedelta(hours=2))
    with pytest.raises(AlarmRefusedError, match=r"give 2026-03-14 13:00 UTC at the latest, which is 60 min from now"):
        apply(command, PLAN, NAME, first_memory(NOON), NOON, 0.0, longest=Longest(shelf_s=HOUR_S))


def test_out_of_service_needs_a_reason() -> None:
    assert refused(Life(), OUT_OF_SERVICE, why=" ", until=NOON + timedelta(hours=1)) == (
        "high_high: taking it out of service needs a reason: say why"
    )


def test_nobody_acts_without_a_name() -> None:
    assert refused(Life(), ACKNOWLEDGE, by="") == "high_high: it is not said who wants to acknowledge it"


def test_what_is_not_hidden_cannot_be_shown() -> None:
    life = Life()
    life.does(OUT_OF_SERVICE, why="its gauge is exchanged", for_s=60.0)
    assert refused(life, UNSHELVE) == "high_high: it is not shelved"
    other = Life()
    other.does(SHELVE, for_s=60.0)
    assert refused(other, IN_SERVICE) == "high_high: it is not out of service"


def test_who_shelved_it_until_when_and_why() -> None:
    life = Life()
    life.sheet(ON)
    life.does(ACKNOWLEDGE, why="seen")
    life.events.clear()
    life.does(SHELVE, why="known since noon", for_s=HOUR_S)
    assert (life.standing.by, life.standing.why) == ("ann", "known since noon")
    assert life.standing.until == life.instant + timedelta(hours=1)
    [event] = life.events
    assert event.reason is not None
    assert event.reason.text == "until 2026-03-14 13:00 UTC: known since noon"


def test_an_end_in_another_zone_is_the_same_instant() -> None:
    until = (NOON + timedelta(hours=1)).astimezone(timezone(timedelta(hours=5, minutes=30)))
    memory, _ = apply(AlarmCommand(SHELVE, NAME, "ann", until=until), PLAN, NAME, first_memory(NOON), NOON, 0.0)
    assert phase_of(memory) is AlarmPhase.SHELVED
    assert memory.shelved is not None
    assert memory.shelved.until == until
    assert memory.shelved.until.tzinfo is UTC
    assert memory.shelved.ends_s == HOUR_S


def test_shelving_again_sets_another_end() -> None:
    life = Life()
    life.sheet(ON)
    life.does(SHELVE, for_s=600.0)
    life.sheet(ON, 300.0)
    life.does(SHELVE, for_s=HOUR_S)
    assert life.sheet(ON, HOUR_S - 1.0) is AlarmPhase.SHELVED
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED


def test_unshelved_while_it_holds_it_is_raised_at_once_with_what_raised_it() -> None:
    life = Life()
    life.does(SHELVE, for_s=HOUR_S)
    life.sheet(ON)
    life.events.clear()
    assert life.does(UNSHELVE, why="the work is done") is AlarmPhase.UNACKNOWLEDGED
    shown, raised = life.events
    assert (shown.kind, shown.by, raised.kind, raised.by) == (
        EventKind.ALARM_UNSHELVED,
        "ann",
        EventKind.ALARM_RAISED,
        None,
    )
    assert raised.reason == ON.reason
    assert (life.standing.value, life.standing.raised) == (13.551, life.instant)
    life.events.clear()
    life.sheet(ON)
    assert life.told == []
