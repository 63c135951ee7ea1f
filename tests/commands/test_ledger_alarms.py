"""`tank-gateway ledger alarms`: figures of what a real ledger has kept."""

from datetime import timedelta
from pathlib import Path

import pytest

from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Priority
from tests.commands.typed import typed
from tests.support.ledger_store import BEGIN, Stand, until

Capture = pytest.CaptureFixture[str]
DAY = 86_400.0
FROM, UNTIL = "2026-11-28T06:00Z", "2026-11-30T06:00Z"


def happened(seconds: float, kind: EventKind, name: str, phase: AlarmPhase) -> Event:
    at = BEGIN + timedelta(seconds=seconds)
    standing = AlarmStanding(name, AlarmKind.HIGH_HIGH, phase, Priority.NOW, phase is not AlarmPhase.NORMAL, at, at)
    return Event(kind, at, name, None, None, standing)


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    """Two days: one alarm that chatters three times within 40 s and is over, one that stands from the first hour on."""
    made = Stand(tmp_path)
    ledger = made.open()
    told = []
    for second in (100.0, 120.0, 140.0):
        told.append(happened(second, EventKind.ALARM_RAISED, "high_high", AlarmPhase.UNACKNOWLEDGED))
        told.append(happened(second + 5.0, EventKind.ALARM_RETURNED, "high_high", AlarmPhase.RETURNED))
    told.append(happened(150.0, EventKind.ALARM_ACKNOWLEDGED, "high_high", AlarmPhase.NORMAL))
    told.append(happened(3600.0, EventKind.ALARM_RAISED, "level_lost", AlarmPhase.UNACKNOWLEDGED))
    for event in told:
        ledger.event(event, "TK-1")
    ledger.event(happened(-3600.0, EventKind.ALARM_RAISED, "minimum", AlarmPhase.UNACKNOWLEDGED), "TK-2")
    until(lambda: ledger.status().waiting == 0)
    assert ledger.close(20)
    return made


def test_figures_of_a_span(capsys: Capture, stand: Stand) -> None:
    said = typed(capsys, "ledger", "alarms", str(stand.file), "--from", FROM, "--until", UNTIL)
    assert said.code == 0, said
    assert said.out.splitlines() == [
        "2026-11-28 06:00 to 2026-11-30 06:00 UTC",
        "Alarms: 4, 0.1 an hour on average: as one person can follow (up to 6 an hour)",
        "Most within ten minutes: 3",
        "Most frequent: TK-1 high_high (3), TK-1 level_lost (1)",
        "Chattering: TK-1 high_high (3)",
        "Standing: TK-1 level_lost (1), TK-2 minimum (0)",
        "Standing for more than a day: TK-1 level_lost (1), TK-2 minimum (0)",
    ]


def test_a_minute_of_its_own_is_more_than_anyone_can_follow(capsys: Capture, stand: Stand) -> None:
    words = ("--from", "2026-11-28T06:01Z", "--until", "2026-11-28T06:03Z", "--json")
    document = typed(capsys, "ledger", "alarms", str(stand.file), *words).document
    assert (document["alarms"], document["peak"], document["per_hour"]) == (3, 3, pytest.approx(90.0))
    assert document["standing"] == [{"tank": "TK-2", "name": "minimum", "times": 0}]


def test_a_span_that_is_none_is_refused(capsys: Capture, stand: Stand) -> None:
    said = typed(capsys, "ledger", "alarms", str(stand.file), "--from", UNTIL, "--until", FROM)
    assert said.code == 2
    assert "is not after" in said.err
