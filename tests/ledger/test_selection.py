"""Which sheets become history: in time, at once where something changed, and never a flood."""

import random
from itertools import pairwise

import pytest

from gateway.history import Previous
from gateway.ledger.selection import Selection
from gateway.records import ElementUse, Quality
from gateway.states import LimitState, RoofZone
from gateway.tank_record import TankRecord
from tests.support.ledger_store import BOOTS, happened, level_record

EVERY_S = 10.0


def kept(records: list[TankRecord], every_s: float = EVERY_S) -> list[TankRecord]:
    selection = Selection(every_s)
    return [record for record in records if selection.takes(record)[0]]


def seconds_of(records: list[TankRecord]) -> list[float]:
    assert all(record.tank_input.steady_s is not None for record in records)
    return [(record.tank_input.steady_s or 0.0) - 1000.0 for record in records]


def sheets(times: list[float], tank: str = "TK-1") -> list[TankRecord]:
    return [level_record(tank, BOOTS[0], index + 1, each) for index, each in enumerate(times)]


@pytest.mark.parametrize("seed", range(40))
def test_a_tank_is_kept_so_often_however_its_sheets_fall(seed: int) -> None:
    """Each sheet comes up to a twenty-fifth of its period late. None is kept later than one sheet after its time."""
    source = random.Random(seed)
    period_s, every_s = source.uniform(0.5, 30.0), source.uniform(1.0, 60.0)
    records = sheets([period_s * (index + source.uniform(0.0, 0.04)) for index in range(200)], f"TK-{seed}")
    times = seconds_of(kept(records, every_s))
    gaps = [after - before for before, after in pairwise(times)]
    assert all(gap <= max(every_s, period_s) + 1.1 * period_s for gap in gaps)
    whole = seconds_of(records)[-1]
    assert len(times) <= whole / every_s * 1.01 + 3 if period_s < 0.9 * every_s else len(times) <= len(records)


@pytest.mark.parametrize("jitter_s", [0.0, 0.2, 0.4])
def test_a_tank_that_is_read_as_often_as_it_is_kept_is_kept_each_time(jitter_s: float) -> None:
    """Though its readings come a little early or late."""
    for offset_s in (0.0, 2.5, 5.0, 7.9):
        times = [offset_s + EVERY_S * index + (jitter_s if index % 2 else -jitter_s) for index in range(1, 50)]
        assert len(kept(sheets(times))) >= 48


def test_two_hundred_tanks_do_not_come_in_one_commit() -> None:
    """Read at the same instants each second, kept each ten: no second has more than twice its share."""
    selection = Selection(EVERY_S)
    counts = [0] * 60
    for second in range(60):
        for tank in range(200):
            counts[second] += selection.takes(level_record(f"TK-{tank}", BOOTS[0], second + 1, float(second)))[0]
    assert max(counts[10:]) <= 40
    assert sum(counts[10:]) == pytest.approx(1000, abs=40)


def another_look(record: TankRecord, how: str) -> TankRecord:
    inventory = record.inventory
    figures = inventory.figures
    if how == "quality of a figure":
        uncertain = figures.ullage._replace(quality=Quality.UNCERTAIN)
        inventory = inventory._replace(figures=figures._replace(ullage=uncertain))
    elif how == "quality of the tank":
        inventory = inventory._replace(quality=Quality.BAD)
    elif how == "used elements":
        inventory = inventory._replace(elements=(ElementUse(1.0, 15.0, True, 1.0, Quality.GOOD, None),))
    elif how == "limit":
        state = inventory.level_state._replace(limit=LimitState.ABOVE_HIGH_HIGH)
        inventory = inventory._replace(level_state=state)
    elif how == "roof":
        inventory = inventory._replace(level_state=inventory.level_state._replace(roof=RoofZone.LANDED))
    elif how == "plan":
        return record._replace(plan="q" * 32)
    else:
        return record._replace(events=(happened(0.0),))
    return record._replace(inventory=inventory)


@pytest.mark.parametrize(
    "how", ["quality of a figure", "quality of the tank", "used elements", "limit", "roof", "plan", "event"]
)
def test_what_changes_is_kept_at_once_and_so_is_what_changes_back(how: str) -> None:
    selection = Selection(3600.0)
    given = [
        another_look(record, how) if 5 <= index < 8 else record for index, record in enumerate(sheets([*range(12)]))
    ]
    taken = [index for index, record in enumerate(given) if selection.takes(record)[0]]
    assert taken[1:] == ([5, 8] if how != "event" else [5, 6, 7])


def test_a_number_that_changes_is_kept_in_time_only() -> None:
    assert len(kept(sheets([float(second) for second in range(100)]), 3600.0)) == 1


def test_what_flaps_is_kept_twice_as_often_as_what_stands_still_and_no_more() -> None:
    """An hour of sheets each second, each with another look than the one before: 360 in time, and one at once for each
    interval, with six more at the beginning."""
    given = [
        another_look(record, "limit") if index % 2 else record
        for index, record in enumerate(sheets([float(second) for second in range(3600)]))
    ]
    assert 700 <= len(kept(given)) <= 360 + 360 + 6 + 2


def test_each_names_the_one_that_was_kept_before_it_of_its_tank() -> None:
    selection = Selection(EVERY_S)
    found = []
    for second in range(40):
        for tank in ("TK-1", "TK-2"):
            takes, previous = selection.takes(level_record(tank, BOOTS[0], second + 1, float(second)))
            if takes:
                found.append((tank, second + 1, previous))
    for tank in ("TK-1", "TK-2"):
        chain = [(sequence, previous) for name, sequence, previous in found if name == tank]
        assert [previous for _, previous in chain] == [
            None,
            *(Previous(BOOTS[0], sequence) for sequence, _ in chain[:-1]),
        ]


def test_a_clock_that_is_set_back_by_a_day_makes_no_tank_wait() -> None:
    records = sheets([100_000.0 + second for second in range(30)]) + sheets([10_000.0 + second for second in range(30)])
    taken = kept(records)
    assert sum(second < 50_000.0 for second in seconds_of(taken)) >= 3
