"""A clock that jumps ends nothing that people gave an end to, until somebody confirms what it says; nor does it let
anything last longer than it was given for."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.binding import Maintenance, ManualValue, Source, TankBinding
from gateway.end_clock import CLOCK_CONFIRMED, CLOCK_DOUBTED, EndClock
from gateway.pipeline import Pipeline
from gateway.process import time_sync
from gateway.records import Quality, ReasonCode
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmVerb
from gateway.watch.house import house_conditions
from gateway.watch.plan import AlarmPlan, WatchPlan
from tests.actions.desk import Desk
from tests.support.plans import straight_plan
from tests.test_pipeline import HandClock, level_reading
from tests.watch.test_house import WELL

YEAR_S = 365 * 86_400.0


class Box(HandClock):
    """A machine whose UTC can be set."""

    synchronised_ns: int | None = None

    def jump(self, seconds: float) -> None:
        self.epoch_ns += round(seconds * 1e9)

    @property
    def now(self) -> datetime:
        return datetime.fromtimestamp(self.utc_ns() / 1e9, UTC)


@given(st.lists(st.tuples(st.floats(0.0, 3600.0), st.floats(-299.0, 299.0)), max_size=20))
def test_a_clock_that_drifts_or_is_set_a_little_is_followed(steps: list[tuple[float, float]]) -> None:
    """So far as that goes in all: each is less than 300 s."""
    box = Box()
    ends = EndClock(box)
    for passed_s, set_by_s in steps:
        box.pass_s(passed_s)
        box.jump(set_by_s)
        assert (ends.utc_ns(), ends.jump_s) == (box.utc_ns(), 0.0)
        ends.look()


@given(st.sampled_from([-1, 1]), st.floats(301.0, 50 * YEAR_S), st.lists(st.floats(0.0, 86_400.0), max_size=8))
def test_a_jump_is_as_if_it_had_not_been_until_it_is_confirmed(way: int, jump_s: float, passes_s: list[float]) -> None:
    box = Box()
    ends = EndClock(box, lambda: box.synchronised_ns)
    meant_ns = box.utc_ns()
    box.jump(way * jump_s)
    for passed_s in passes_s:
        box.pass_s(passed_s)
        meant_ns += round(passed_s * 1e9)
        ends.look()
        assert ends.utc_ns() == meant_ns
        assert ends.jump_s == pytest.approx(way * jump_s)
    box.synchronised_ns = box.utc_ns()
    ends.look()
    assert (ends.utc_ns(), ends.jump_s) == (box.utc_ns(), 0.0)


def test_a_jump_and_its_end_are_logged_once() -> None:
    box = Box()
    ends = EndClock(box)
    with capture_logs() as logs:
        box.jump(YEAR_S)
        ends.look()
        ends.look()
        box.jump(-YEAR_S)
        ends.look()
        ends.look()
    assert [each["event"] for each in logs] == [CLOCK_DOUBTED, CLOCK_CONFIRMED]


def test_what_was_synchronised_before_a_jump_confirms_nothing() -> None:
    box = Box()
    ends = EndClock(box, lambda: box.synchronised_ns)
    box.synchronised_ns = box.utc_ns()
    box.pass_s(60.0)
    box.jump(YEAR_S)
    ends.look()
    assert ends.jump_s == YEAR_S
    box.jump(-2 * YEAR_S)
    ends.look()
    assert ends.jump_s == -YEAR_S, "nor does what is ahead of it by now"


def test_when_it_was_synchronised_stands_in_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "synchronized"
    monkeypatch.setattr(time_sync, "_FILE", file)
    assert time_sync.synchronised_ns() is None
    file.touch()
    assert time_sync.synchronised_ns() == file.stat().st_mtime_ns


class Tank:
    """With a temperature by hand for 24 h, its gauge in maintenance for 4 h, and an alarm on the shelf for 2 h."""

    def __init__(self) -> None:
        self.box = Box()
        now = self.box.now
        self.records: list[TankRecord] = []
        self.ends = EndClock(self.box, lambda: self.box.synchronised_ns)
        binding = TankBinding(
            "TK-1",
            level=Source("LT-1", "innage", 60.0),
            manual_temperature=ManualValue(15.0, now, now + timedelta(hours=24), substitutes=True),
            maintenance=(Maintenance("LT-1", now + timedelta(hours=4), "ann"),),
        )
        watch = WatchPlan("TK-1", alarms=(AlarmPlan(AlarmKind.LEVEL_LOST, Priority.SOON, "c", "a"),))
        self.pipeline = Pipeline(
            "site",
            "b" * 32,
            [(straight_plan(), binding, 10.0)],
            self.records.append,
            self.box,
            watches={"TK-1": watch},
            ends=self.ends,
        )
        self.poll()
        until = now + timedelta(hours=2)
        self.pipeline.act("TK-1", AlarmCommand(AlarmVerb.SHELVE, "level_lost", "ann", "known", until))

    def poll(self) -> None:
        self.box.pass_s(10.0)
        self.pipeline.take(level_reading(self.box))

    def stands(self) -> tuple[bool, bool, bool]:
        """Whether each of the three still does, by the next sheet."""
        self.poll()
        record = self.records[-1]
        level, temperature = record.tank_input.level, record.tank_input.manual_temperature
        assert level is not None
        assert temperature is not None
        in_maintenance = level.reason is not None and level.reason.code is ReasonCode.IN_MAINTENANCE
        standings = () if record.state is None else record.state.alarms
        shelved = any(each.phase is AlarmPhase.SHELVED for each in standings)
        return temperature.quality is not Quality.BAD, in_maintenance, shelved


@pytest.mark.parametrize("jump_s", [YEAR_S, -100 * 86_400.0, 8 * 3600.0])
def test_values_maintenance_and_shelves_end_as_they_were_meant_to_whatever_the_clock_does(jump_s: float) -> None:
    tank = Tank()
    tank.box.jump(jump_s)
    assert tank.stands() == (True, True, True)
    tank.ends.look()
    assert tank.stands() == (True, True, True)
    tank.box.pass_s(2 * 3600.0)
    assert tank.stands() == (True, True, False)
    tank.box.pass_s(2 * 3600.0)
    assert tank.stands() == (True, False, False)
    tank.box.pass_s(20 * 3600.0)
    assert tank.stands() == (False, False, False)


def test_a_jump_that_is_confirmed_ends_what_is_past_by_it() -> None:
    tank = Tank()
    tank.box.jump(YEAR_S)
    assert tank.stands() == (True, True, True)
    tank.box.synchronised_ns = tank.box.utc_ns()
    tank.ends.look()
    assert tank.stands() == (False, False, False)


def test_the_gateway_says_that_its_clock_has_jumped() -> None:
    calm = house_conditions(WELL, {})["clock_untrusted"]
    jumped = house_conditions(WELL._replace(clock_jump_s=YEAR_S), {})["clock_untrusted"]
    assert (calm.active, jumped.active) == (False, True)
    assert jumped.reason is not None
    assert "went forward by" in jumped.reason.text


def test_nothing_expires_nor_is_taken_in_by_a_clock_that_has_jumped(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    answer = desk.act(action="maintenance", instrument="G-1", duration="4 h", why="new antenna")
    assert answer["code"] == 0
    desk.jumped = timedelta(days=365)
    desk.turn()
    (entry,) = desk.listed()
    assert entry["what"] == "entered"
    refused = desk.act(action="maintenance", instrument="G-1", duration="4 h", why="again")
    assert refused["code"] == 1
    assert "at once: nothing was taken in" in refused["lines"][0]
    desk.pass_time(timedelta(hours=5))
    assert desk.listed() == [], "four hours are over by the steady clock"
    desk.stop()
