"""The states of an alarm against the public description of the model, and each cell of our table."""

import itertools
from collections.abc import Callable

import pytest

from gateway.tank_record import EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.commands import AlarmVerb
from gateway.watch.alarms.states import ACTIVE, HIDDEN, IN_SIGHT, UNHEARD, Change
from tests.watch.alarm_life import MAINTENANCE, OFF, ON, Life

INNER = (AlarmPhase.NORMAL, AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED)
HIDING = (AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED, AlarmPhase.OUT_OF_SERVICE)
RAISED, RETURNED = EventKind.ALARM_RAISED, EventKind.ALARM_RETURNED


@pytest.mark.outside("OPC 10000-9, B.1.2, Table B.1")
def test_a_condition_that_keeps_its_latest_state() -> None:
    """Columns Active, Acked and Retain of rows 0, 1, 2, 3, 5, 6 and 7.

    Ours needs no confirmation (ConfirmedState is optional, 5.7.2). So rows 4 and 8, which confirm, fall together with 3
    and 7, and there the condition is no longer of interest: Retain is then false.
    """
    life = Life()
    steps: list[tuple[Callable[[], object], tuple[bool, bool, bool]]] = [
        (lambda: life.sheet(OFF), (False, True, False)),
        (lambda: life.sheet(ON), (True, False, True)),
        (lambda: life.does(AlarmVerb.ACKNOWLEDGE), (True, True, True)),
        (lambda: life.sheet(OFF), (False, True, False)),
        (lambda: life.sheet(ON), (True, False, True)),
        (lambda: life.sheet(OFF), (False, False, True)),
        (lambda: life.does(AlarmVerb.ACKNOWLEDGE), (False, True, False)),
    ]
    for row, (step, expected) in enumerate(steps):
        step()
        phase = life.phase
        found = (phase in ACTIVE, phase not in UNHEARD, phase is not AlarmPhase.NORMAL)
        assert found == expected, f"step {row}"


@pytest.mark.outside("OPC 10000-9, 5.7.2 and 5.8.2")
def test_active_and_acknowledged_make_the_four_phases() -> None:
    pairs = {(phase in ACTIVE, phase not in UNHEARD): phase for phase in INNER}
    assert pairs == {
        (False, True): AlarmPhase.NORMAL,
        (True, False): AlarmPhase.UNACKNOWLEDGED,
        (True, True): AlarmPhase.ACKNOWLEDGED,
        (False, False): AlarmPhase.RETURNED,
    }


@pytest.mark.parametrize(("inner", "change"), list(itertools.product(INNER, Change)))
def test_each_cell_in_sight(inner: AlarmPhase, change: Change) -> None:
    """From AckedState and ActiveState alone: becoming active asks for an acknowledgement (Table B.1, rows 1 and 5),
    becoming inactive leaves it asked for or not (rows 3 and 6), acknowledging ends it (rows 2 and 7)."""
    is_active, is_heard = inner in ACTIVE, inner not in UNHEARD
    after, kind = IN_SIGHT.get((inner, change), (inner, None))
    now = (after in ACTIVE, after not in UNHEARD)
    match change:
        case Change.ACTIVE:
            assert now == ((True, is_heard) if is_active else (True, False))
            assert kind is (None if is_active else RAISED)
        case Change.INACTIVE:
            assert now == (False, is_heard)
            assert kind is (RETURNED if is_active else None)
        case Change.ACKNOWLEDGED:
            assert now == (is_active, True)
            assert kind is (None if is_heard else EventKind.ALARM_ACKNOWLEDGED)
        case Change.SHOWN:
            assert now == (is_active, is_heard and not is_active)
            assert kind is (RAISED if is_active else None)


@pytest.mark.parametrize(("inner", "change"), list(itertools.product(INNER, Change)))
def test_each_cell_behind_what_hides_it(inner: AlarmPhase, change: Change) -> None:
    """Hidden, ActiveState goes on (OPC 10000-9, 4.8: such an alarm is still fully functional), nobody is told, and
    nobody is to acknowledge it or owes that anew."""
    after, kind = HIDDEN.get((inner, change), (inner, None))
    assert kind is None
    assert (after in ACTIVE) is (change is Change.ACTIVE or (inner in ACTIVE and change is not Change.INACTIVE))
    assert (after in UNHEARD) is (inner in UNHEARD)


def brought_to(inner: AlarmPhase) -> Life:
    life = Life()
    if inner is not AlarmPhase.NORMAL:
        life.sheet(ON)
    if inner is AlarmPhase.ACKNOWLEDGED:
        life.does(AlarmVerb.ACKNOWLEDGE)
    if inner is AlarmPhase.RETURNED:
        life.sheet(OFF)
    assert life.phase is inner
    life.events.clear()
    return life


def hide(life: Life, hiding: AlarmPhase) -> None:
    now = ON if life.standing.is_active else OFF
    if hiding is AlarmPhase.SHELVED:
        life.does(AlarmVerb.SHELVE, for_s=600.0)
    elif hiding is AlarmPhase.OUT_OF_SERVICE:
        life.does(AlarmVerb.OUT_OF_SERVICE, why="its gauge is exchanged", for_s=600.0)
    else:
        life.sheet(now._replace(suppressed=MAINTENANCE))
    assert life.phase is hiding


BEGAN = {
    AlarmPhase.SHELVED: EventKind.ALARM_SHELVED,
    AlarmPhase.SUPPRESSED: EventKind.ALARM_SUPPRESSED,
    AlarmPhase.OUT_OF_SERVICE: EventKind.ALARM_OUT_OF_SERVICE,
}
ENDED = {
    AlarmPhase.SHELVED: EventKind.ALARM_UNSHELVED,
    AlarmPhase.SUPPRESSED: EventKind.ALARM_UNSUPPRESSED,
    AlarmPhase.OUT_OF_SERVICE: EventKind.ALARM_IN_SERVICE,
}


@pytest.mark.parametrize("by_a_person", [False, True])
@pytest.mark.parametrize("turns", [False, True])
@pytest.mark.parametrize(("inner", "hiding"), list(itertools.product(INNER, HIDING)))
def test_hidden_and_shown_again(inner: AlarmPhase, hiding: AlarmPhase, turns: bool, by_a_person: bool) -> None:
    """Of every phase and everything that hides it: active afterwards is raised anew, inactive is not, and what nobody
    had acknowledged before is not acknowledged by having been hidden (OPC 10000-9, 5.8.2: SuppressedOrShelved is apart
    from AckedState)."""
    life = brought_to(inner)
    hide(life, hiding)
    assert life.told == [BEGAN[hiding]]
    is_active = life.standing.is_active is not turns
    now = ON if is_active else OFF
    for _ in range(3):
        life.sheet(now._replace(suppressed=MAINTENANCE if hiding is AlarmPhase.SUPPRESSED else None))
    assert life.phase is hiding
    assert life.standing.is_active is is_active
    assert life.told == []
    if by_a_person and hiding is not AlarmPhase.SUPPRESSED:
        life.does(AlarmVerb.UNSHELVE if hiding is AlarmPhase.SHELVED else AlarmVerb.IN_SERVICE)
    else:
        life.sheet(now, 600.0)
    was_unheard = inner in UNHEARD
    if is_active:
        assert life.told == [ENDED[hiding], RAISED]
        assert life.phase is AlarmPhase.UNACKNOWLEDGED
        assert life.standing.raised == life.instant
        assert life.standing.reason == ON.reason
    else:
        assert life.told == [ENDED[hiding]]
        assert life.phase is (AlarmPhase.RETURNED if was_unheard else AlarmPhase.NORMAL)
    assert life.standing.since == life.instant


@pytest.mark.parametrize("hidings", list(itertools.permutations(HIDING)))
def test_hidden_by_more_than_one_thing(hidings: tuple[AlarmPhase, ...]) -> None:
    """It is shown once the last has ended, and raised once."""
    life = brought_to(AlarmPhase.UNACKNOWLEDGED)
    hide(life, AlarmPhase.SUPPRESSED)
    life.does(AlarmVerb.SHELVE, for_s=600.0)
    life.does(AlarmVerb.OUT_OF_SERVICE, why="its gauge is exchanged", for_s=600.0)
    assert life.phase is AlarmPhase.OUT_OF_SERVICE
    life.events.clear()
    now = ON._replace(suppressed=MAINTENANCE)
    for hiding in hidings:
        if hiding is AlarmPhase.SUPPRESSED:
            now = ON
            life.sheet(now)
        else:
            life.does(AlarmVerb.UNSHELVE if hiding is AlarmPhase.SHELVED else AlarmVerb.IN_SERVICE)
            life.sheet(now)
    assert life.sheet(ON) is AlarmPhase.UNACKNOWLEDGED
    assert life.told == [*[ENDED[hiding] for hiding in hidings], RAISED]
