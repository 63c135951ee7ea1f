"""`alarms`: what needs someone, worst first, with what to do; and the alarms and the rate that `show` tells."""

from collections.abc import Sequence
from datetime import timedelta

import pytest

from gateway.commands.operator import show
from gateway.payload.alarms import alarms_json
from gateway.payload.writer import inventories_json
from gateway.records import Figure, Quality, ReasonCode, because
from gateway.tank_state import (
    AlarmKind,
    AlarmNow,
    AlarmPhase,
    AlarmStanding,
    LimitTime,
    Motion,
    Priority,
    TankState,
)
from tests.commands.answering import answering
from tests.commands.typed import Said, typed
from tests.support.messages import valid_message
from tests.support.records import NOON, record, snapshot

HIGH = because(ReasonCode.ABOVE_LIMIT, "the level is {level:.3f} m, above {limit:.3f} m", level=9.412, limit=9.3)


def alarm(
    kind: AlarmKind,
    phase: AlarmPhase,
    priority: Priority,
    *,
    tank: str = "TK-1",
    minutes: float = 4.0,
    by: str | None = None,
) -> AlarmNow:
    began = NOON - timedelta(minutes=minutes)
    name = kind.value if tank else f"{kind}.bus"
    is_active = phase is not AlarmPhase.RETURNED
    until = NOON + timedelta(hours=2) if phase is AlarmPhase.SHELVED else None
    why = "gauge is being repaired" if phase is AlarmPhase.SHELVED else ""
    standing = AlarmStanding(name, kind, phase, priority, is_active, began, began, 9.4, HIGH, by, until, why)
    return AlarmNow(tank, standing, f"{kind} happens.", f"See to {kind}.", 600.0)


ALL = (
    alarm(AlarmKind.DATA_STALE, AlarmPhase.UNACKNOWLEDGED, Priority.LOOK, tank="TK-2"),
    alarm(AlarmKind.MINIMUM, AlarmPhase.NORMAL, Priority.SOON),
    alarm(AlarmKind.LEVEL_LOST, AlarmPhase.SHELVED, Priority.NOW, tank="TK-3", by="kim"),
    alarm(AlarmKind.MAXIMUM_WORKING, AlarmPhase.ACKNOWLEDGED, Priority.SOON, by="kim", minutes=90.0),
    alarm(AlarmKind.LINE_LOST, AlarmPhase.RETURNED, Priority.SOON, tank="", minutes=30.0),
    alarm(AlarmKind.HIGH_HIGH, AlarmPhase.UNACKNOWLEDGED, Priority.NOW, minutes=0.5),
)


def asked(capsys: pytest.CaptureFixture[str], alarms: Sequence[AlarmNow], *words: str) -> Said:
    body = alarms_json(snapshot()._replace(alarms=tuple(alarms)))
    valid_message(body)
    with answering("/alarms", body) as address:
        return typed(capsys, "alarms", "--address", address, *words)


def test_what_needs_someone_stands_first_and_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    said = asked(capsys, ALL)
    assert (said.code, said.err) == (0, "")
    lines = [" ".join(line.split()) for line in said.out.splitlines()]
    assert lines[0] == "harbour at 2026-03-14 12:00:00 UTC"
    assert lines[2:7] == [
        "Tank Alarm State For Why",
        "now TK-1 high_high unacknowledged 30 s the level is 9.412 m, above 9.300 m",
        "soon TK-1 maximum_working acknowledged by kim 90 min the level is 9.412 m, above 9.300 m",
        "soon gateway line_lost.bus returned 30 min the level is 9.412 m, above 9.300 m",
        "look TK-2 data_stale unacknowledged 4 min the level is 9.412 m, above 9.300 m",
    ]
    assert lines[8:10] == ["high_high: high_high happens.", "What to do: See to high_high. Within 10 min."]
    hidden = lines.index("Hidden:")
    assert lines[hidden + 2] == "TK-3 level_lost shelved yes kim 2026-03-14 14:00 UTC gauge is being repaired"
    assert "minimum" not in said.out
    assert lines[-1].startswith("Caution: Monitoring only")


def test_nothing_needs_anyone(capsys: pytest.CaptureFixture[str]) -> None:
    said = asked(capsys, [ALL[1]])
    assert said.code == 0
    assert "Nothing needs anyone, of 1 alarms that are watched for." in said.out


@pytest.mark.parametrize(("tank", "seen"), [("TK-2", "data_stale"), ("gateway", "line_lost.bus")])
def test_one_tank_alone(capsys: pytest.CaptureFixture[str], tank: str, seen: str) -> None:
    said = asked(capsys, ALL, "--tank", tank)
    assert seen in said.out
    assert "high_high" not in said.out


def test_of_a_tank_that_is_none_it_does_not_say_that_nothing_needs_anyone(capsys: pytest.CaptureFixture[str]) -> None:
    said = asked(capsys, ALL, "--tank", "TK-11")
    assert said.code == 2
    assert said.out == ""
    assert "there is no tank 'TK-11' at harbour" in said.err
    assert "did you mean 'TK-1'?" in said.err


def test_of_a_tank_that_is_not_judged_yet_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    body = alarms_json(snapshot()._replace(alarms=(ALL[1],), tanks=("TK-1", "TK-2")))
    valid_message(body)
    with answering("/alarms", body) as address:
        all_of_it = typed(capsys, "alarms", "--address", address)
        one = typed(capsys, "alarms", "--address", address, "--tank", "TK-2")
    assert "Nothing needs anyone, of 1 alarms that are watched for." in all_of_it.out
    assert "Nothing is watched for, or nothing judged yet: gateway, TK-2" in all_of_it.out
    assert "Nothing needs anyone" not in one.out
    assert "Nothing is watched for, or nothing judged yet: TK-2" in one.out


def test_what_nothing_needs_is_counted_of_the_tank_that_was_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    quiet = [ALL[1], alarm(AlarmKind.MINIMUM, AlarmPhase.NORMAL, Priority.SOON, tank="TK-2")]
    said = asked(capsys, quiet, "--tank", "TK-2")
    assert "Nothing needs anyone, of 1 alarms that are watched for." in said.out


def test_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    document = asked(capsys, ALL, "--json").document
    assert document["watched_for"] == 6
    assert [each["alarm"]["name"] for each in document["alarms"]] == [
        "high_high",
        "maximum_working",
        "line_lost.bus",
        "data_stale",
        "level_lost",
    ]


def test_what_is_no_answer_of_this_version_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    body = b'{"schema": "tank-gateway/alarms/1", "site": "harbour"}'
    with answering("/alarms", body) as address:
        said = typed(capsys, "alarms", "--address", address)
    assert said.code == 1
    assert "its answer is not one that this version understands" in said.err


def figure(value: float | None) -> Figure:
    if value is None:
        return Figure(None, Quality.BAD, (because(ReasonCode.TOO_SOON, "too soon"),), 0.0)
    return Figure(value, Quality.GOOD, (), 0.0)


@pytest.mark.parametrize(
    ("rate_m3_h", "ahead_s", "words"),
    [
        (300.0, 600.0, "TK-1: filling at 300 m3/h: high high at 12:10 UTC, in 10 min"),
        (300.0, 90_000.0, "TK-1: filling at 300 m3/h: high high at 2026-03-15 13:00 UTC, in 25.0 h"),
        (300.0, None, "TK-1: filling at 300 m3/h: no limit ahead, or it is not known when"),
        (9.96, None, "TK-1: filling at 10 m3/h: no limit ahead, or it is not known when"),
        (9.94, None, "TK-1: filling at 9.9 m3/h: no limit ahead, or it is not known when"),
        (0.34, None, "TK-1: filling at 0.34 m3/h: no limit ahead, or it is not known when"),
        (None, None, "TK-1: filling, at an unknown rate: the time to its limits is unknown"),
    ],
)
def test_show_tells_alarms_and_when_a_limit_is_reached(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    rate_m3_h: float | None,
    ahead_s: float | None,
    words: str,
) -> None:
    monkeypatch.setattr(show, "_now", lambda: NOON)
    rate = figure(None if rate_m3_h is None else rate_m3_h / 3600.0)
    times = () if ahead_s is None else (LimitTime("high_high", 9.3, ahead_s, NOON + timedelta(seconds=ahead_s)),)
    state = TankState(Motion.FILLING, NOON, rate, figure(0.0), times, "", (ALL[5].standing,))
    body = inventories_json(snapshot(record("TK-1")._replace(state=state)))
    with answering("/inventories", body) as address:
        said = typed(capsys, "show", "--address", address)
    assert "Alarms (now): TK-1 high_high" in said.out.splitlines()
    assert words in said.out.splitlines()


@pytest.mark.parametrize("tank", ["TK-1", ""])
@pytest.mark.parametrize("phase", [each for each in AlarmPhase if each is not AlarmPhase.NORMAL])
def test_show_tells_of_every_alarm_that_alarms_tells_of(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tank: str, phase: AlarmPhase
) -> None:
    monkeypatch.setattr(show, "_now", lambda: NOON)
    each = alarm(AlarmKind.SLOW_LOSS if tank else AlarmKind.LINE_LOST, phase, Priority.SOON, tank=tank)
    state = TankState(Motion.AT_REST, NOON, figure(0.0), figure(0.0), (), "", (each.standing,) if tank else ())
    body = inventories_json(snapshot(record("TK-1")._replace(state=state))._replace(alarms=(each,)))
    valid_message(body)
    with answering("/inventories", body) as address:
        said = typed(capsys, "show", "--address", address)
    name = f"{tank or 'gateway'} {each.standing.name}"
    if phase in (AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED, AlarmPhase.OUT_OF_SERVICE):
        line = f"Alarms that are hidden: {name} ({phase.replace('_', ' ')})"
    else:
        line = f"Alarms (soon): {name}"
    assert line in said.out.splitlines()
    assert "no level is beyond a limit" not in said.out


def test_the_line_that_is_lost_is_named_before_all_tanks_that_are_on_it(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(show, "_now", lambda: NOON)
    line = alarm(AlarmKind.LINE_LOST, AlarmPhase.UNACKNOWLEDGED, Priority.SOON, tank="")
    lost = alarm(AlarmKind.LEVEL_LOST, AlarmPhase.UNACKNOWLEDGED, Priority.SOON)
    state = TankState(Motion.UNKNOWN, None, figure(None), figure(None), (), "", (lost.standing,))
    tanks = [record(f"TK-{number}")._replace(state=state) for number in range(10, 20)]
    body = inventories_json(snapshot(*tanks)._replace(alarms=(line,)))
    with answering("/inventories", body) as address:
        said = typed(capsys, "show", "--address", address)
    (told,) = (text for text in said.out.splitlines() if text.startswith("Alarms (soon)"))
    assert told.startswith("Alarms (soon): gateway line_lost.bus, TK-10 level_lost")
    assert told.endswith("and 3 more")
