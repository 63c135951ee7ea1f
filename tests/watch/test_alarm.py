"""One alarm over time: delays, deadband, what cannot be judged, escalation, restarts and clocks that are set."""

import math
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.reasons import ReasonCode, because
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.commands import AlarmVerb
from gateway.watch.alarms.condition import Condition
from tests.watch.alarm_life import BETWEEN, MAINTENANCE, NAME, NOON, OFF, ON, UNKNOWN, Life, plan_of

RAISED, RETURNED, ESCALATED = EventKind.ALARM_RAISED, EventKind.ALARM_RETURNED, EventKind.ALARM_ESCALATED
SHELVED, UNSHELVED = EventKind.ALARM_SHELVED, EventKind.ALARM_UNSHELVED


def test_a_high_is_raised_by_the_first_sheet_that_has_it() -> None:
    life = Life()
    life.sheet(OFF)
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    [event] = life.events
    assert (event.kind, event.subject, event.reason) == (RAISED, NAME, ON.reason)
    assert event.standing == life.standing
    assert event.standing.raised == event.standing.since == event.instant == NOON + timedelta(seconds=2)
    assert (event.standing.value, event.standing.is_active) == (13.551, True)


def test_what_raised_it_stands_with_it_while_the_value_goes_on() -> None:
    life = Life()
    life.sheet(ON)
    life.sheet(Condition(True, value=13.6, reason=MAINTENANCE))
    assert (life.standing.value, life.standing.reason) == (13.551, ON.reason)


@pytest.mark.outside("OPC 10000-9, B.1.5: on delay")
def test_an_on_delay_wants_it_to_hold_all_the_while() -> None:
    """Active for 9 s, off for 1 s, active for 10 s: raised at the end of the second run, not by the sum of both."""
    life = Life(plan_of(on_delay_s=10.0))
    for _ in range(10):
        assert life.sheet(ON) is AlarmPhase.NORMAL
    assert life.sheet(OFF) is AlarmPhase.NORMAL
    for _ in range(10):
        assert life.sheet(ON) is AlarmPhase.NORMAL
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    assert life.told == [RAISED]


@pytest.mark.outside("OPC 10000-9, B.1.5: off delay")
def test_an_off_delay_keeps_it_active_through_a_short_return() -> None:
    life = Life(plan_of(off_delay_s=10.0))
    life.sheet(ON)
    for _ in range(10):
        assert life.sheet(OFF) is AlarmPhase.UNACKNOWLEDGED
    life.sheet(ON)
    for _ in range(10):
        assert life.sheet(OFF) is AlarmPhase.UNACKNOWLEDGED
    assert life.sheet(OFF) is AlarmPhase.RETURNED
    assert life.told == [RAISED, RETURNED]


@pytest.mark.outside("OPC 10000-9, B.1.5: deadband")
def test_between_limit_and_deadband_it_stays_what_it_is() -> None:
    life = Life()
    assert life.sheet(BETWEEN) is AlarmPhase.NORMAL
    life.sheet(ON)
    assert life.sheet(BETWEEN) is AlarmPhase.UNACKNOWLEDGED
    life.does(AlarmVerb.ACKNOWLEDGE)
    assert life.sheet(BETWEEN) is AlarmPhase.ACKNOWLEDGED
    assert life.sheet(OFF) is AlarmPhase.NORMAL


def test_what_is_between_ends_a_delay() -> None:
    """Neither past the limit, for the on delay, nor behind the deadband, for the off delay."""
    rising = Life(plan_of(on_delay_s=2.0))
    for condition in (ON, BETWEEN, ON, ON):
        assert rising.sheet(condition) is AlarmPhase.NORMAL
    assert rising.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    falling = Life(plan_of(off_delay_s=2.0))
    falling.sheet(ON)
    for condition in (OFF, BETWEEN, OFF, OFF):
        assert falling.sheet(condition) is AlarmPhase.UNACKNOWLEDGED
    assert falling.sheet(OFF) is AlarmPhase.RETURNED


@given(st.lists(st.floats(-0.002, 0.002), min_size=200, max_size=200), st.floats(-0.002, 0.002))
def test_ripple_at_a_limit_gives_one_alarm(ripple: list[float], middle: float) -> None:
    """2 mm of ripple about any level within 2 mm of a limit at 13.550 m, with a deadband of 5 mm: 8 mm lie between the
    highest, 13.554, and the lowest, 13.546, and 13.545 is not reached."""
    limit_m, deadband_m = 13.550, 0.005
    life = Life()
    for above_m in [0.001, *[middle + each for each in ripple]]:
        life.sheet(Condition(above_m > 0.0, inside=above_m < -deadband_m, value=limit_m + above_m))
    assert life.told == [RAISED]


def test_what_cannot_be_judged_leaves_it_as_it_is() -> None:
    life = Life()
    assert life.sheet(UNKNOWN, 1e6) is AlarmPhase.NORMAL
    life.sheet(ON)
    assert life.sheet(UNKNOWN, 1e6) is AlarmPhase.UNACKNOWLEDGED
    life.does(AlarmVerb.ACKNOWLEDGE)
    assert life.sheet(UNKNOWN, 1e6) is AlarmPhase.ACKNOWLEDGED
    life.sheet(ON)
    assert life.told == [RAISED, EventKind.ALARM_ACKNOWLEDGED]


def test_a_delay_does_not_run_out_while_nothing_is_known() -> None:
    """6 s known, then 100 s unknown, then known: the 4 s that are missing are counted from there."""
    rising = Life(plan_of(on_delay_s=10.0))
    for condition, after_s in ((ON, 1.0), (ON, 6.0), (UNKNOWN, 1.0), (UNKNOWN, 98.0), (ON, 1.0), (ON, 3.9)):
        assert rising.sheet(condition, after_s) is AlarmPhase.NORMAL
    assert rising.sheet(ON, 0.2) is AlarmPhase.UNACKNOWLEDGED
    falling = Life(plan_of(off_delay_s=10.0))
    falling.sheet(ON)
    for condition, after_s in ((OFF, 1.0), (OFF, 6.0), (UNKNOWN, 1.0), (UNKNOWN, 98.0), (OFF, 1.0), (OFF, 3.9)):
        assert falling.sheet(condition, after_s) is AlarmPhase.UNACKNOWLEDGED
    assert falling.sheet(OFF, 0.2) is AlarmPhase.RETURNED


def test_a_return_that_nobody_has_acknowledged_waits_for_it() -> None:
    life = Life()
    life.sheet(ON)
    life.sheet(OFF)
    for _ in range(3):
        assert life.sheet(OFF, 1e5) is AlarmPhase.RETURNED
    assert not life.standing.is_active
    assert life.does(AlarmVerb.ACKNOWLEDGE) is AlarmPhase.NORMAL
    assert life.told == [RAISED, RETURNED, EventKind.ALARM_ACKNOWLEDGED]


def test_nobody_acknowledges_it_in_its_time_and_that_is_told_once() -> None:
    life = Life(plan_of(response_s=600.0))
    life.sheet(ON)
    life.sheet(ON, 599.0)
    assert life.told == [RAISED]
    for condition in (UNKNOWN, ON, OFF, ON, ON):
        life.sheet(condition, 600.0)
    assert life.told == [ESCALATED, RETURNED, RAISED]


def test_one_that_comes_and_goes_is_escalated_too() -> None:
    """Raised at 0 s and each 120 s anew, gone for 60 s in between: at 600 s nobody has acknowledged it."""
    life = Life(plan_of(response_s=600.0))
    for _ in range(5):
        life.sheet(ON, 60.0)
        life.sheet(OFF, 60.0)
    assert ESCALATED not in life.told
    life.sheet(ON, 60.0)
    assert life.told == [RAISED, ESCALATED]


def test_what_is_acknowledged_or_has_returned_is_not_escalated() -> None:
    life = Life(plan_of(response_s=600.0))
    life.sheet(ON)
    life.does(AlarmVerb.ACKNOWLEDGE)
    life.sheet(ON, 6000.0)
    life.sheet(OFF)
    life.sheet(ON)
    life.sheet(OFF)
    life.sheet(OFF, 6000.0)
    life.does(AlarmVerb.ACKNOWLEDGE)
    life.sheet(ON)
    life.sheet(ON, 599.0)
    assert ESCALATED not in life.told
    life.sheet(ON)
    assert life.told == [ESCALATED]


def test_what_is_shelved_is_not_escalated_and_has_its_whole_time_again() -> None:
    life = Life(plan_of(response_s=600.0))
    life.sheet(ON)
    life.sheet(ON, 500.0)
    life.does(AlarmVerb.SHELVE, for_s=3600.0)
    life.sheet(ON, 3599.0)
    life.sheet(ON)
    life.sheet(ON, 599.0)
    assert life.told == [RAISED, SHELVED, UNSHELVED, RAISED]
    life.sheet(ON)
    [event] = life.events
    assert event.kind is ESCALATED
    assert event.reason is not None
    assert event.reason.code is ReasonCode.NOT_ACKNOWLEDGED
    assert event.reason.text == "nobody has acknowledged it within 10 min"


def test_nothing_is_raised_anew_by_a_restart() -> None:
    life = Life(plan_of(response_s=600.0))
    life.sheet(ON)
    before = life.standing
    life.told.clear()
    life.restarts(after_s=300.0)
    assert life.standing == before
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    assert life.told == []
    life.sheet(ON, 299.0)
    assert life.told == [ESCALATED], "the time of the restart counts: nobody acknowledged it meanwhile either"


@pytest.mark.parametrize("acknowledged", [False, True])
def test_what_returned_during_a_restart_is_not_lost(acknowledged: bool) -> None:
    life = Life()
    life.sheet(ON)
    if acknowledged:
        life.does(AlarmVerb.ACKNOWLEDGE)
    life.told.clear()
    life.restarts(after_s=7200.0)
    assert life.sheet(OFF) is (AlarmPhase.NORMAL if acknowledged else AlarmPhase.RETURNED)
    assert life.told == [RETURNED]


def test_a_delay_goes_on_over_a_restart() -> None:
    life = Life(plan_of(on_delay_s=10.0))
    life.sheet(ON)
    life.sheet(ON, 4.0)
    life.restarts(after_s=5.0)
    assert life.sheet(ON, 0.9) is AlarmPhase.NORMAL
    assert life.sheet(ON, 0.2) is AlarmPhase.UNACKNOWLEDGED


@pytest.mark.parametrize("steady_s", [5.0, 1e6])
def test_a_shelf_ends_when_it_was_said_to_whatever_the_restart(steady_s: float) -> None:
    life = Life()
    life.sheet(ON)
    life.does(AlarmVerb.SHELVE, for_s=3600.0)
    life.restarts(after_s=1800.0, steady_s=steady_s)
    assert life.sheet(ON, 1799.0) is AlarmPhase.SHELVED
    assert life.sheet(ON, 1.0) is AlarmPhase.UNACKNOWLEDGED


def test_a_shelf_ends_by_the_clock_where_nobody_can_tell_how_long_the_restart_took() -> None:
    """The steady time goes on as if none had passed, for 45 min more; the clock says that it is over."""
    life = Life()
    life.sheet(ON)
    life.does(AlarmVerb.SHELVE, for_s=3600.0)
    life.sheet(ON, 900.0)
    life.restarts()
    life.instant += timedelta(hours=2)
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED


@pytest.mark.parametrize("verb", [AlarmVerb.SHELVE, AlarmVerb.OUT_OF_SERVICE])
def test_a_clock_that_is_set_back_prolongs_nothing(verb: AlarmVerb) -> None:
    life = Life()
    life.sheet(ON)
    life.does(verb, why="its gauge is exchanged", for_s=3600.0)
    life.instant -= timedelta(days=200)
    assert life.sheet(ON, 3599.0) is not AlarmPhase.UNACKNOWLEDGED
    assert life.sheet(ON, 1.0) is AlarmPhase.UNACKNOWLEDGED


def test_a_clock_that_is_set_on_ends_a_shelf_unless_it_is_doubted() -> None:
    life = Life()
    life.sheet(ON)
    life.does(AlarmVerb.SHELVE, for_s=3600.0)
    life.instant += timedelta(days=200)
    life.is_told = False
    assert life.sheet(ON) is AlarmPhase.SHELVED
    life.is_told = True
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED


def test_what_returns_in_the_sheet_that_ends_its_shelf_is_not_raised() -> None:
    life = Life()
    life.does(AlarmVerb.SHELVE, for_s=60.0)
    life.sheet(ON)
    life.told.clear()
    assert life.sheet(OFF, 60.0) is AlarmPhase.NORMAL
    assert life.told == [UNSHELVED]


def test_what_is_suppressed_in_the_sheet_that_would_raise_it_is_not_raised() -> None:
    life = Life()
    life.sheet(OFF)
    assert life.sheet(ON._replace(suppressed=MAINTENANCE)) is AlarmPhase.SUPPRESSED
    assert life.told == [EventKind.ALARM_SUPPRESSED]
    assert life.standing.is_active
    assert life.standing.reason == MAINTENANCE


def test_what_cannot_be_judged_is_suppressed_like_anything_else() -> None:
    """An instrument in maintenance often says nothing at all."""
    life = Life()
    assert life.sheet(UNKNOWN._replace(suppressed=MAINTENANCE)) is AlarmPhase.SUPPRESSED
    assert life.sheet(UNKNOWN) is AlarmPhase.NORMAL


def test_why_it_is_suppressed_is_why_it_is_now() -> None:
    """The work on the gauge is over, and its signal is still left out by design: told without another event, and kept
    with the values of when it began."""
    life = Life()
    life.sheet(ON._replace(suppressed=MAINTENANCE))
    life.events.clear()
    later = because(ReasonCode.NOT_APPLICABLE, "for {age:duration} nothing has been stored in it", age=60.0)
    for age_s in (60.0, 61.0):
        life.sheet(ON._replace(suppressed=later._replace(values=(("age", age_s),))))
        assert life.standing.reason == later
    assert life.told == []


def test_another_limit_is_judged_by_the_next_sheet() -> None:
    """The plan is another, the memory the same: its alarm returns, or goes on without being raised anew."""
    life = Life(plan_of(limit=13.55))
    life.sheet(ON)
    life.told.clear()
    life.plan = plan_of(limit=13.50)
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    assert life.told == []
    life.plan = plan_of(limit=14.0)
    assert life.sheet(OFF) is AlarmPhase.RETURNED


def test_an_endless_delay_never_ends() -> None:
    life = Life(plan_of(on_delay_s=math.inf))
    for _ in range(3):
        assert life.sheet(ON, 1e9) is AlarmPhase.NORMAL
