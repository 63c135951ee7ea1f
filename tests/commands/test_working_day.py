"""The demo's working day: its people, its clock, and that what they ask is what the gateway understands."""

import asyncio
import signal
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gateway.account.amount import AmountSource
from gateway.actions.requests import read_action
from gateway.commands.demonstration.people import Story, live_through
from gateway.commands.demonstration.play import Act, working_day
from gateway.scenario_time import SetClock
from simulators import load_scenario
from tests.commands.test_demo import _demo as demo
from tests.test_scenario_time import Machine, S

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)


def test_the_day_begins_at_half_past_five_by_the_clock_of_the_depot() -> None:
    play = working_day(NOON)
    assert play.begins == datetime(2026, 11, 29, 4, 30, tzinfo=UTC), "Rome is an hour ahead in November"
    assert working_day(datetime(2026, 7, 1, 2, tzinfo=UTC)).begins == datetime(2026, 7, 1, 3, 30, tzinfo=UTC)
    assert play.site().time_zone == "Europe/Rome"
    assert play.time_factor * 600.0 >= timedelta(hours=24, minutes=50).total_seconds(), "in ten minutes"


def test_acts_follow_one_another_until_the_next_morning() -> None:
    play = working_day(NOON)
    assert play.begins is not None
    times = [play.begins, *(act.at for act in play.acts)]
    assert times == sorted(times)
    assert times[-1] - times[0] < timedelta(hours=25)


def test_what_is_asked_is_understood_and_what_is_moved_is_there() -> None:
    play = working_day(NOON)
    site = play.site()
    tanks = {tank.plan.tank for tank in site.tanks}
    instruments = {each.tag for line in site.lines for each in line.instruments}
    for act in play.acts:
        if act.asks:
            read_action({**act.asks, **{key: "1" for key in ("transfer", "ticket") if key in act.asks}})
            assert {act.asks.get(key, "TK-11") for key in ("transfer", "ticket", "source", "target")} <= tanks | {
                source.value for source in AmountSource
            }
            assert act.asks.get("instrument", "LT-11") in instruments
            assert act.asks.get("tank", "TK-11") in tanks
    scenario = load_scenario(play.scenario)
    assert set(scenario.tanks) == tanks
    assert set(scenario.instruments) == instruments
    for tank, part in scenario.tanks.items():
        plan = next(each.plan for each in site.tanks if each.plan.tank == tank)
        assert part.reference_height == plan.reference_height_m


def test_a_clock_that_was_set_goes_as_fast_as_the_machine() -> None:
    machine = Machine(1_800_000_000, 500)
    clock = SetClock(machine, NOON)
    assert clock.utc_ns() == round(NOON.timestamp()) * S
    machine.passes(90)
    assert clock.utc_ns() == (round(NOON.timestamp()) + 90) * S
    assert clock.monotonic_ns() == 590 * S


async def test_people_act_at_their_time_and_what_they_are_answered_is_told() -> None:
    now, asked, story = NOON, [], Story("Europe/Rome")
    late = {"loader": 2}

    async def ask(request: Mapping[str, str], person: str) -> dict[str, Any]:
        asked.append((now, person, dict(request)))
        if late.get(person, 0):
            late[person] -= 1
            return {"code": 1, "lines": ["not yet"]}
        return {"code": 2, "lines": ["wrong"]} if person == "stranger" else {"code": 0, "lines": ["done"]}

    async def number_of(what: str, tank: str) -> int | None:
        return {"TK-11": 7}.get(tank)

    def passes() -> datetime:
        nonlocal now
        now += timedelta(minutes=1)
        return now

    acts = [
        Act(NOON + timedelta(minutes=5), "loader", "Goes on.", {"action": "x"}),
        Act(NOON + timedelta(minutes=9), "stranger", "Tries.", {"action": "y"}),
        Act(NOON + timedelta(minutes=40), "loader", "Goes home.", {}),
    ]
    async with asyncio.timeout(15.0):
        await live_through(acts, passes, 1e9, ask, number_of, story)
    assert [each[1:] for each in asked[:3]] == [("loader", {"action": "x"})] * 3
    assert asked[0][0] >= acts[0].at
    assert story.lines[0] == "13:05  loader: Goes on."
    assert story.lines[1].endswith("  done")
    assert story.lines[2] == "13:09  stranger: Tries."
    assert story.lines[3].endswith("  refused: wrong")
    assert story.lines[4:] == ["13:40  loader: Goes home."]


@pytest.mark.parametrize("tank", ["TK-11", "TK-12", "TK-21", "TK-31", "TK-41"])
def test_no_tank_leaves_its_working_range_all_day(tank: str) -> None:
    """By hand: TK-11 gets 380 m3/h x 2 h 40 = 1,013 m3 on 254.5 m2, 3.98 m on top of 4.2 m."""
    play = working_day(NOON)
    plan = next(each.plan for each in play.site().tanks if each.plan.tank == tank)
    part = load_scenario(play.scenario).tanks[tank]
    moved_m3 = {
        "TK-11": (380 * 160 / 60, 380 * 160 / 60 - 375),
        "TK-12": (-240.0, 135.0),
        "TK-21": (-1000.0,),
        "TK-31": (160.0,),
        "TK-41": (0.0,),
    }[tank]
    assert part.shape.kind == "upright"
    area = 0.25 * 3.141592653589793 * part.shape.diameter**2
    for moved in (0.0, *moved_m3):
        level = part.level + moved / area
        assert plan.limits.minimum_m is not None
        assert plan.limits.maximum_working_m is not None
        assert plan.limits.minimum_m < level < plan.limits.maximum_working_m


@pytest.mark.timeout(120)
async def test_the_day_is_played_with_real_sockets_and_ends_cleanly(tmp_path: Path) -> None:
    """Until the ship's receipt is planned, 50 min after the beginning, five seconds at 600 times the pace."""
    async with demo(tmp_path, "--working-day", "--time-factor", "600") as day:
        await day.until("^tank-gateway demo: 5 invented tanks, SIMULATED")
        await day.until("^06:20  loader: A ship is announced for TK-11")
        await day.until("  transfer 1: planned$")
        day.process.send_signal(signal.SIGTERM)
        assert await day.end() == 0
    assert day.lines[-1] == "Stopped."
    assert "Traceback" not in day.complaints
