"""Destinations behind their walls: one that hangs, raises or never ends is neither seen nor felt by another.

On virtual time, so that patience of minutes costs none.
"""

import asyncio
import random
from collections.abc import Callable, Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import pytest
from structlog.testing import capture_logs

from gateway.daemon import Daemon
from gateway.deliveries import Deliveries
from gateway.delivery.contract import DeliveryPlan, Destination, Surroundings, Wants
from gateway.delivery.destinations import DESTINATION_KINDS
from gateway.process.supervision import Loops
from gateway.resources import config_path
from gateway.settings import load_site
from gateway.status import Backlog, DestinationStatus
from gateway.tank_record import TankRecord
from tests.acquisition.virtual_loop import LoopClock, run_virtually
from tests.support.endings import for_ever
from tests.support.records import record


@dataclass(frozen=True)
class Plan:
    name: str
    place: str = "here"
    descriptors: int = 1
    longest_turn_s: float = 1.0


class Kind:
    """Takes what it is offered and ends when it is told to."""

    wants = Wants()

    def __init__(self, name: str) -> None:
        self._name = name
        self.offered: list[TankRecord] = []
        self.last: Sequence[TankRecord] | None = None
        self.ended_s: float | None = None

    def offer(self, record: TankRecord) -> None:
        self.offered.append(record)

    def finish(self, records: Sequence[TankRecord]) -> None:
        self.last = records

    async def run(self) -> None:
        try:
            await for_ever()
        finally:
            self.ended_s = asyncio.get_running_loop().time()

    def status(self) -> DestinationStatus:
        return DestinationStatus(self._name, True, len(self.offered), 0, 0, None)


class RaisesInOffer(Kind):
    def offer(self, record: TankRecord) -> None:
        raise ZeroDivisionError("in offer")


class RaisesEverywhere(RaisesInOffer):
    def finish(self, records: Sequence[TankRecord]) -> None:
        raise ZeroDivisionError("in finish")

    async def run(self) -> None:
        raise ZeroDivisionError("in run")

    def status(self) -> DestinationStatus:
        raise ZeroDivisionError("in status")


class NeverEnds(Kind):
    released = False

    async def run(self) -> None:
        while not self.released:  # for the end of the test
            with suppress(asyncio.CancelledError):
                await asyncio.sleep(1.0)


class TakesItsTime(Kind):
    async def run(self) -> None:
        try:
            await for_ever()
        finally:
            await asyncio.sleep(5.0)
            self.ended_s = asyncio.get_running_loop().time()


class WantsNoLive(Kind):
    wants = Wants(live=False, history=True)


class Bench:
    """Some destinations of the given kinds, by name."""

    def __init__(self, **kinds: Callable[[str], Any]) -> None:
        self.made: dict[str, list[Any]] = {name: [] for name in kinds}
        self.loops = Loops(LoopClock(), random.Random(1), lambda _: None)

        def make(plan: DeliveryPlan) -> Destination:
            made: Destination = kinds[plan.name](plan.name)
            self.made[plan.name].append(made)
            return made

        self.deliveries = Deliveries(self.loops, make)
        self.plans = {name: Plan(name) for name in kinds}
        self.deliveries.add(self.deliveries.made(self.plans.values()))

    def statuses(self) -> dict[str, DestinationStatus]:
        return {status.destination: status for status in self.deliveries.statuses()}

    def __getitem__(self, name: str) -> Any:
        return self.made[name][-1]


def virtually(main: Callable[[], Coroutine[Any, Any, None]]) -> list[Any]:
    with capture_logs() as logs:
        run_virtually(main)
    return list(logs)


def test_one_that_raises_keeps_no_record_from_another() -> None:
    async def main() -> None:
        bench = Bench(first=RaisesInOffer, all=RaisesEverywhere, last=Kind)
        bench.deliveries.begin()
        for sequence in (1, 2, 3):
            bench.deliveries.offer(record("TK-1", sequence))
        await asyncio.sleep(120.0)
        assert [each.identity.sequence for each in bench["last"].offered] == [1, 2, 3]
        statuses = bench.statuses()
        assert (statuses["last"].delivered, statuses["last"].lost) == (3, 0)
        assert (statuses["first"].lost, statuses["all"].lost) == (3, 3)
        (trouble,) = statuses["all"].troubles
        assert trouble == ("destination_failed", "all cannot say how it does: ZeroDivisionError: in status")
        bench.deliveries.finish([record("TK-1", 4)])
        assert [each.identity.sequence for each in bench["last"].last] == [4]
        await bench.loops.end_all(within_s=1.0)

    logs = virtually(main)
    failed = [(each["destination"], each["call"]) for each in logs if each["event"] == "delivery.destination_failed"]
    # Each kind of fault once, not once for each record.
    assert failed == [("first", "offer"), ("all", "offer"), ("all", "status"), ("all", "finish")]
    # And its loop was begun again, later and later: at most 1 + 2 + 4 + 8 + 16 + 32 s, so six times in two minutes.
    begun = [each for each in logs if each["event"] == "gateway.task_failed"]
    assert {each["task"] for each in begun} == {"delivery all"}
    assert len(begun) >= 6


def test_one_that_never_ends_delays_the_end_of_no_other() -> None:
    async def main() -> None:
        bench = Bench(stuck=NeverEnds, slow=TakesItsTime, quick=Kind)
        bench.deliveries.begin()
        await asyncio.sleep(10.0)
        bench.deliveries.finish(())
        await bench.loops.end_all(within_s=6.0)
        # The patience of 6 s, and not a moment more.
        assert asyncio.get_running_loop().time() == pytest.approx(16.0)
        assert bench["quick"].ended_s == pytest.approx(10.0)
        assert bench["slow"].ended_s == pytest.approx(15.0)
        bench["stuck"].released = True
        await asyncio.wait(asyncio.all_tasks() - {asyncio.current_task()})

    left = [each["task"] for each in virtually(main) if each["event"] == "gateway.task_left"]
    assert left == ["delivery stuck"]


def test_one_that_hangs_is_made_anew_with_the_newest_and_what_it_held_is_lost() -> None:
    class Hangs(Kind):
        def status(self) -> DestinationStatus:
            return DestinationStatus(self._name, False, 2, 1, len(self.offered) - 3, 9.0)

    async def main() -> None:
        kinds = iter([Hangs, Kind])
        bench = Bench(north=lambda name: next(kinds)(name), south=Kind)
        bench.deliveries.begin()
        for sequence in range(1, 6):
            bench.deliveries.offer(record("TK-1", sequence))
        before = bench.statuses()["north"]
        assert (before.delivered, before.lost, before.waiting) == (2, 1, 2)
        await bench.deliveries.make_anew([bench.plans["north"]], [record("TK-1", 5)])
        bench.deliveries.offer(record("TK-1", 6))
        assert [each.identity.sequence for each in bench["north"].offered] == [5, 6]
        assert [each.identity.sequence for each in bench["south"].offered] == [1, 2, 3, 4, 5, 6]
        after = bench.statuses()["north"]
        # The two of the first that arrived and the two of the second; its own loss and the two that it held.
        assert (after.delivered, after.lost) == (2 + 2, 1 + 2)
        assert sorted(bench.loops.names) == ["delivery north", "delivery south"]
        await bench.loops.end_all(within_s=1.0)

    (hung,) = [each for each in virtually(main) if each["event"] == "delivery.destination_hangs"]
    assert hung["destinations"] == ["north"]


def test_live_records_that_history_stands_behind_are_dropped_with_their_destination_and_not_lost() -> None:
    class Keeps(Kind):
        def status(self) -> DestinationStatus:
            history = Backlog(100, 5.0, 40, 7)
            return DestinationStatus(self._name, False, 2, 0, len(self.offered) - 3, 9.0, history=history, dropped=1)

    async def main() -> None:
        bench = Bench(north=Keeps)
        bench.deliveries.begin()
        for sequence in range(1, 6):
            bench.deliveries.offer(record("TK-1", sequence))
        await bench.deliveries.make_anew([bench.plans["north"]], [record("TK-1", number) for number in (5, 6, 7)])
        after = bench.statuses()["north"]
        # What arrived by each; dropped by each, and the two that the first held when it ended.
        assert (after.delivered, after.dropped, after.lost) == (2 + 2, 1 + 1 + 2, 0)
        assert after.history == Backlog(100, 5.0, 40, 7), "the ledger counts, over all of them"
        await bench.loops.end_all(within_s=1.0)

    virtually(main)


def test_one_that_wants_no_live_records_gets_none() -> None:
    async def main() -> None:
        bench = Bench(history=WantsNoLive, live=Kind)
        bench.deliveries.offer(record("TK-1", 1))
        assert (len(bench["history"].offered), len(bench["live"].offered)) == (0, 1)

    virtually(main)


def test_those_that_go_have_their_own_last_words_and_the_others_go_on() -> None:
    async def main() -> None:
        bench = Bench(moved=TakesItsTime, gone=Kind, stays=Kind)
        bench.deliveries.begin()
        await asyncio.sleep(1.0)
        gone = bench.deliveries.take_out([(bench.plans["moved"], ()), (bench.plans["gone"], [record("TK-1", 9)])])
        await bench.deliveries.replace(gone, ())
        assert asyncio.get_running_loop().time() == pytest.approx(6.0)
        assert bench["moved"].last == ()
        assert [each.identity.sequence for each in bench["gone"].last] == [9]
        assert bench["stays"].last is None
        assert bench["stays"].ended_s is None
        bench.deliveries.offer(record("TK-1", 10))
        assert [len(bench[name].offered) for name in ("moved", "gone", "stays")] == [0, 0, 1]
        assert (bench.loops.names, list(bench.statuses())) == (["delivery stays"], ["stays"])
        await bench.loops.end_all(within_s=1.0)

    virtually(main)


def test_what_comes_during_a_goodbye_is_for_the_next_and_nothing_is_uncounted() -> None:
    """The goodbye takes 5 s, within which two records come; what the first held at its end, 3 of 7, is lost."""

    class Slow(TakesItsTime):
        def status(self) -> DestinationStatus:
            return DestinationStatus(self._name, False, 2, 2, len(self.offered) - 4, 9.0)

    async def main() -> None:
        kinds = iter([Slow, Kind])
        bench = Bench(north=lambda name: next(kinds)(name), south=Kind)
        bench.deliveries.begin()
        for sequence in range(1, 8):
            bench.deliveries.offer(record("TK-1", sequence))
        await asyncio.sleep(1.0)
        changed = Plan("north", longest_turn_s=2.0)
        begun = bench.deliveries.made([changed])
        gone = bench.deliveries.take_out([(bench.plans["north"], ())])
        bench.deliveries.add(begun)
        bench.deliveries.arrange([changed, bench.plans["south"]])
        replacing = asyncio.create_task(bench.deliveries.replace(gone, begun))
        totals = []
        for sequence in (8, 9):
            await asyncio.sleep(1.0)
            bench.deliveries.offer(record("TK-1", sequence))
            totals.append((bench.statuses()["north"].delivered, bench.statuses()["north"].lost))
        await replacing
        assert [each.identity.sequence for each in bench["north"].offered] == [8, 9]
        # No count goes back meanwhile.
        assert totals == [(2 + 1, 2), (2 + 2, 2)]
        after = bench.statuses()["north"]
        assert (after.delivered, after.lost) == (2 + 2, 2 + 3)
        assert (list(bench.statuses()), bench.loops.names) == (["north", "south"], ["delivery south", "delivery north"])
        await bench.loops.end_all(within_s=1.0)

    virtually(main)


def test_one_that_is_made_anew_has_what_came_while_the_other_was_ended_last_of_all() -> None:
    """Else a tank that was taken out of the site file meanwhile would be Good there again, by its record of before."""

    async def main() -> None:
        bench = Bench(north=TakesItsTime)
        bench.deliveries.begin()
        await asyncio.sleep(1.0)
        anew = asyncio.create_task(bench.deliveries.make_anew([bench.plans["north"]], [record("TK-1", 5)]))
        await asyncio.sleep(1.0)
        bench.deliveries.offer(record("TK-1", 6))
        await anew
        assert [each.identity.sequence for each in bench["north"].offered] == [5, 6]
        await bench.loops.end_all(within_s=6.0)

    virtually(main)


def test_the_gateway_makes_one_anew_that_hangs_and_is_well_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """No turn within 120 s and the 1 s that it may wait within one: the watchdog, which would end all, is not asked."""
    made: list[Kind] = []

    class TellsItsTurns(Kind):
        def __init__(self, plan: Plan, around: Surroundings) -> None:
            super().__init__(plan.name)
            self._around = around
            made.append(self)

        async def run(self) -> None:
            while len(made) > 1 or asyncio.get_running_loop().time() < 30.0:
                self._around.came_round(10.0)
                await asyncio.sleep(10.0)
            await super().run()  # the first one hangs

    async def main() -> None:
        site = load_site(config_path("one_tank.yaml"), now=datetime(2026, 11, 25, 12, tzinfo=UTC))
        gateway = Daemon(replace(site, sources=(), http=None, deliveries=(Plan("plant"),)), clock=LoopClock())
        running = asyncio.create_task(gateway.run())
        await asyncio.sleep(145.0)
        assert len(made) == 1
        # Its last turn was told at 20 s, for 30 s: it is late at 30 + 121 s.
        await asyncio.sleep(10.0)
        assert len(made) == 2
        assert made[0].ended_s == pytest.approx(152.0, abs=1.0)
        assert gateway.healthy()
        assert [record.inventory.tank for record in made[1].offered][:1] == ["TK-1"]
        await asyncio.sleep(600.0)
        assert (len(made), gateway.healthy()) == (2, True)
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running
        assert made[1].last is not None
        assert len(made[1].last) == 1

    monkeypatch.setitem(DESTINATION_KINDS, Plan, TellsItsTurns)
    logs = virtually(main)
    assert [each["destinations"] for each in logs if each["event"] == "delivery.destination_hangs"] == [["plant"]]
