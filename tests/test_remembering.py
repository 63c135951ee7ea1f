"""What is told of alarms that were remembered and that nobody watches for any more, and what holds over a restart."""

import asyncio
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gateway import remembering
from gateway.binding import Source, TankBinding
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import LimitPlan
from gateway.clock import SystemClock
from gateway.daemon import Daemon
from gateway.keeping import kept_in
from gateway.kept_memory import Kept, KeptTank, kept_from, plain_head, plain_tank
from gateway.ledger import writer
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.pipeline import Pipeline
from gateway.settings import SiteSettings
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, Priority
from gateway.watch.alarms.commands import AlarmCommand, AlarmVerb
from gateway.watch.alarms.memory import AlarmMemory, Aside
from gateway.watch.course.window import NO_WINDOW
from gateway.watch.house import HouseMemory
from gateway.watch.memory import WatchMemory
from gateway.watch.plan import AlarmPlan, LossPlan, WatchPlan
from tests.support.ledger_store import events_in
from tests.support.plans import straight_plan
from tests.test_keeping import PATIENCE_S, quiet_site
from tests.test_pipeline import HandClock, level_reading

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
PHASES = [AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED]
HIGH = AlarmPlan(AlarmKind.HIGH_HIGH, Priority.NOW, "c", "a")
MINIMUM = AlarmPlan(AlarmKind.MINIMUM, Priority.SOON, "c", "a")


def alarm(phase: AlarmPhase) -> AlarmMemory:
    return AlarmMemory(NOON, phase, raised=NOON, value=9.2, order=1)


def remembered(site: SiteSettings, folder: Path, phase: AlarmPhase) -> None:
    """By a process that had another tank, another line and, of the tank that is left, another alarm."""
    clock = SystemClock()
    (tag,) = [tank.plan.tank for tank in site.tanks]
    of_all = {"high_high": alarm(phase), "minimum": alarm(AlarmPhase.NORMAL)}
    tanks = {
        "GONE": KeptTank("p", EMPTY_MEMORY, WatchMemory(alarms=of_all)),
        tag: KeptTank(
            "p", EMPTY_MEMORY, WatchMemory(alarms={"pressure_high": alarm(phase), "of_next_year": alarm(phase)})
        ),
    }
    house = HouseMemory({"line_lost.gone": alarm(phase), "line_lost.other": alarm(AlarmPhase.NORMAL)})
    ledger = Ledger.open(LedgerPlan(file=folder / f"{site.name}.ledger"), site.name, "a" * 32, clock)
    ledger.keep_memory(Kept(clock.utc_ns(), clock.monotonic_ns(), tanks, house=house))
    assert ledger.close(PATIENCE_S)


async def live(site: SiteSettings, folder: Path) -> None:
    gateway = Daemon(site, keep=kept_in(folder, site.name, site.ledger))
    running = asyncio.create_task(gateway.run())
    async with asyncio.timeout(PATIENCE_S):
        while not gateway.snapshot().inventories or not gateway.snapshot().alarms:  # noqa: ASYNC110 - no event
            await asyncio.sleep(0.02)
    running.cancel()
    await asyncio.wait([running])


def ended(site: SiteSettings, folder: Path) -> list[tuple[str, str]]:
    """Tank and alarm of each whose end by the site file was told."""
    found = [(identity.tank, event) for identity, event in events_in(folder / f"{site.name}.ledger")]
    return [
        (tank, event.subject)
        for tank, event in found
        if event.kind is EventKind.ALARM_RETURNED
        and event.reason is not None
        and "by the site file" in event.reason.text
    ]


@pytest.mark.parametrize("phase", PHASES)
async def test_the_end_of_an_alarm_that_left_the_site_file_meanwhile_is_told_once(
    phase: AlarmPhase, tmp_path: Path
) -> None:
    site = quiet_site()
    (tag,) = [tank.plan.tank for tank in site.tanks]
    remembered(site, tmp_path, phase)
    await live(site, tmp_path)
    assert sorted(ended(site, tmp_path)) == sorted(
        [("", "line_lost.gone"), ("GONE", "high_high"), (tag, "pressure_high")]
    )
    await live(site, tmp_path)
    assert len(ended(site, tmp_path)) == 3


class Yard:
    """A pipeline of one tank that is watched, by a clock of the test."""

    def __init__(self, *alarms: AlarmPlan, loss: LossPlan | None = None, **given: Any) -> None:
        self.clock = HandClock()
        self.records: list[TankRecord] = []
        self.binding = TankBinding("TK-1", level=Source("LT-1", "innage", 60.0))
        self.plan = replace(straight_plan(limits=LimitPlan(0.5, 8.0, 9.0, 9.5)), **given)
        self.watch = WatchPlan("TK-1", loss=loss, alarms=alarms)
        self.pipeline = self.made()

    def made(self) -> Pipeline:
        tanks = [(self.plan, self.binding, 10.0)]
        return Pipeline("site", "b" * 32, tanks, self.records.append, self.clock, watches={"TK-1": self.watch})

    def poll(self, level_m: float, times: int = 1) -> None:
        for _ in range(times):
            self.clock.pass_s(10.0)
            self.pipeline.take(level_reading(self.clock, level_m))

    def told(self) -> list[tuple[EventKind, str]]:
        """All that has been told since this was last asked."""
        records, self.records[:] = list(self.records), []
        return [(event.kind, event.subject) for record in records for event in record.events]

    def reload(self, *, with_tank: bool) -> list[TankRecord]:
        tanks = [(self.plan, self.binding, 10.0)] if with_tank else []
        return self.pipeline.change(tanks, (), watches={"TK-1": self.watch})

    def restart(self, seconds: float = 5.0) -> None:
        kept = self.pipeline.memories()
        tanks = {tag: plain_tank(tank) for tag, tank in kept.tanks.items()}
        self.clock.pass_s(seconds)
        self.pipeline = self.made()
        self.pipeline.restore(kept_from(plain_head(kept) | {"tanks": tanks}))


def test_the_alarms_of_a_tank_that_a_reload_takes_out_end_and_put_back_it_has_others() -> None:
    yard = Yard(HIGH)
    yard.poll(9.2)
    assert yard.told() == [(EventKind.ALARM_RAISED, "high_high")]
    (last,) = yard.reload(with_tank=False)
    assert [(event.kind, event.subject) for event in last.events] == [(EventKind.ALARM_RETURNED, "high_high")]
    assert yard.pipeline.memories().tanks == {}, "nor is it remembered over a restart"
    yard.reload(with_tank=True)
    yard.poll(9.2)
    assert (EventKind.ALARM_RAISED, "high_high") in yard.told()


def test_the_alarms_of_a_tank_that_never_spoke_end_too() -> None:
    yard = Yard(HIGH)
    yard.poll(9.2)
    yard.restart()
    assert yard.reload(with_tank=False) == [], "without a sheet it says nothing last"
    assert [(tank, event.kind, event.subject) for tank, event in yard.pipeline.untold()] == [
        ("TK-1", EventKind.ALARM_RETURNED, "high_high")
    ]
    assert yard.pipeline.untold() == []


@pytest.mark.parametrize("is_limit", [True, False])
def test_another_limit_over_a_restart_leaves_rates_and_losses_as_a_reload_does(is_limit: bool) -> None:
    yard = Yard(HIGH, loss=LossPlan())
    yard.poll(6.0, 60)
    before = yard.pipeline.memories().tanks["TK-1"].watch
    assert before.course.window != NO_WINDOW
    assert before.loss.hour is not None
    other: dict[str, Any] = {"limits": LimitPlan(0.4, 8.0, 9.0, 9.5)} if is_limit else {"reference_height_m": 10.6}
    yard.plan = replace(yard.plan, **other)
    yard.restart()
    after = yard.pipeline.memories().tanks["TK-1"].watch
    assert (after.course == before.course) is is_limit
    assert (after.loss == before.loss) is is_limit


def test_what_comes_late_to_a_tank_is_told_at_once_and_nothing_that_happened_is_lost() -> None:
    yard = Yard(HIGH, MINIMUM)
    yard.poll(9.2)
    yard.pipeline.act("TK-1", AlarmCommand(AlarmVerb.ACKNOWLEDGE, "high_high", "ann"))
    assert (EventKind.ALARM_ACKNOWLEDGED, "high_high") in yard.told()
    before = yard.pipeline.memories()
    yard.clock.pass_s(30.0)
    yard.pipeline = yard.made()
    yard.pipeline.await_memory()
    yard.poll(9.2)
    assert yard.told() == [(EventKind.ALARM_RAISED, "high_high")], "nobody waits for the disk"
    yard.poll(0.2)
    yard.poll(9.2)
    yard.told()
    memory = yard.pipeline.memories().tanks["TK-1"].memory
    yard.pipeline.join(before)
    assert yard.told() == [], "it was over meanwhile, and is another"
    assert {alarm.name: alarm.phase for alarm in yard.pipeline.standings()["TK-1"]} == {
        "high_high": AlarmPhase.UNACKNOWLEDGED,
        "minimum": AlarmPhase.RETURNED,
    }
    assert yard.pipeline.memories().tanks["TK-1"].memory == memory

    yard.pipeline = yard.made()
    yard.pipeline.await_memory()
    yard.poll(9.2)
    yard.told()
    yard.pipeline.join(before)
    assert yard.told() == [(EventKind.ALARM_ACKNOWLEDGED, "high_high")]
    yard.poll(9.2)
    assert yard.told() == []


async def test_a_ledger_that_opens_late_brings_what_people_did_to_alarms(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its disk is away at the start: shelved alarms are shelved once it is there, and are so at the next start."""
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.02)
    monkeypatch.setattr(writer, "_LONGEST_RETRY_S", 0.05)
    monkeypatch.setattr(remembering, "_LOOK_S", 0.02)
    disk, away = tmp_path / "disk", tmp_path / "away"
    disk.mkdir()
    site = replace(quiet_site(), ledger=LedgerPlan(file=disk / "quiet.ledger"))
    (tag,) = [tank.plan.tank for tank in site.tanks]
    now = datetime.now(UTC)
    aside = Aside(now + timedelta(hours=2), time.monotonic() + 7200.0, "ann", "known")
    kept = alarm(AlarmPhase.UNACKNOWLEDGED)._replace(shelved=aside)
    clock = SystemClock()
    ledger = Ledger.open(LedgerPlan(file=disk / "quiet.ledger"), site.name, "a" * 32, clock)
    tanks = {tag: KeptTank("p", EMPTY_MEMORY, WatchMemory(alarms={"level_lost": kept}))}
    ledger.keep_memory(Kept(clock.utc_ns(), clock.monotonic_ns(), tanks, house=HouseMemory({"line_lost.gone": kept})))
    assert ledger.close(PATIENCE_S)
    disk.rename(away)

    gateway = Daemon(site, keep=kept_in(tmp_path, site.name, site.ledger))
    assert phase_of(gateway, tag) is None
    running = asyncio.create_task(gateway.run())
    async with asyncio.timeout(PATIENCE_S):
        while not gateway.snapshot().inventories:  # noqa: ASYNC110 - no event
            await asyncio.sleep(0.02)
        assert phase_of(gateway, tag) is not AlarmPhase.SHELVED
        away.rename(disk)
        while phase_of(gateway, tag) is not AlarmPhase.SHELVED:  # noqa: ASYNC110 - no event
            await asyncio.sleep(0.02)
    running.cancel()
    await asyncio.wait([running])
    told = [(identity.tank, event.subject) for identity, event in events_in(disk / "quiet.ledger")]
    assert ("", "line_lost.gone") in told
    again = Daemon(site, keep=kept_in(tmp_path, site.name, site.ledger))
    assert phase_of(again, tag) is AlarmPhase.SHELVED


def phase_of(gateway: Daemon, tag: str) -> AlarmPhase | None:
    """Of the lost level of a tank."""
    found = (alarm.standing for alarm in gateway.snapshot().alarms if alarm.tank == tag)
    return next((standing.phase for standing in found if standing.name == "level_lost"), None)
