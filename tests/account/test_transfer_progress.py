"""How far an open transfer has come, with figures that can be checked in the head; unknown where it is not known."""

from datetime import UTC, datetime, timedelta

import pytest

from gateway.account.commands import Described, PlanTransfer, StartTransfer, TransferVerb
from gateway.account.transfer import TransferKind
from gateway.account.transfers.openings import rest_before_s
from gateway.account.transfers.progress import Progress, progress
from gateway.records import Quality
from gateway.tank_state import Motion
from tests.account.transfers_life import Life
from tests.support.account_yard import AREA_M2

RATE_M_S = 0.0003
FLOW_M3_S = RATE_M_S * AREA_M2
"""0.07634 m3/s: 274.8 m3/h."""


def running(kind: TransferKind = TransferKind.RECEIPT, amount: float | None = 1000.0) -> Life:
    it = Life()
    it.passes(1200.0)
    source, target = (None, "TK-1") if kind is TransferKind.RECEIPT else ("TK-1", None)
    it.does(StartTransfer(None, kind, source, target, Described(amount, "gsv"), "ann"))
    it.yard.moves("TK-1", RATE_M_S if kind is TransferKind.RECEIPT else -RATE_M_S)
    return it


def told(it: Life) -> Progress:
    return progress(it.transfer(1), it.latest, it.yard.now)


@pytest.mark.parametrize("kind", [TransferKind.RECEIPT, TransferKind.DISPATCH])
def test_what_has_moved_and_when_it_will_be_done(kind: TransferKind) -> None:
    it = running(kind)
    it.passes(3600.0)
    now = told(it)
    # 3600 s at 0.07634 m3/s: 274.83 m3; 725.17 m3 are missing, which take 9,499 s more. At 15 degC GSV is GOV.
    assert now.measure == "gsv"
    assert now.moved["gsv"].value == pytest.approx(274.8265, abs=1e-3)
    assert now.rate.value == pytest.approx(FLOW_M3_S)
    assert now.mean_rate.value == pytest.approx(FLOW_M3_S)
    assert now.missing.value == pytest.approx(725.1735, abs=1e-3)
    assert now.finish is not None
    assert (now.finish - it.yard.now).total_seconds() == pytest.approx(9499.2, abs=0.1)
    tank = it.yard.tanks["TK-1"]
    if kind is TransferKind.RECEIPT:
        assert now.room_left_m3 == pytest.approx((13.2 - tank.level_m) * AREA_M2)
        assert now.pumpable_left_m3 is None
    else:
        assert now.pumpable_left_m3 == pytest.approx((tank.level_m - 0.9) * AREA_M2)
        assert now.room_left_m3 is None


def test_how_long_its_tanks_have_to_rest_is_told_of_one_that_is_planned() -> None:
    """Asked before anything is opened. A tank that came to rest 10 min ago has 20 of the 30 min to go."""
    it = Life()
    it.passes(60.0)
    it.does(PlanTransfer(TransferKind.RECEIPT, None, "TK-1", Described(100.0, "gsv"), "ann"))

    def rest_s() -> float | None:
        return rest_before_s(it.plan, it.transfer(1), it.latest)

    it.yard.moves("TK-1", RATE_M_S)
    it.passes(60.0)
    assert rest_s() is None, "it moves"
    it.yard.moves("TK-1", 0.0)
    it.passes(600.0)
    assert rest_s() == pytest.approx(1200.0, abs=30.0)
    it.passes(1800.0)
    assert rest_s() == 0.0
    it.yard.tanks["TK-1"].is_lost = True
    it.passes(60.0)
    assert rest_s() is None, "whether it rests is not known"
    it.yard.tanks["TK-1"].is_lost = False
    it.passes(60.0)
    it.does(StartTransfer(1, None, None, None, Described(), "ann"))
    assert rest_s() is None, "it has begun"


def test_the_mean_rate_counts_the_pauses() -> None:
    it = running()
    it.passes(1800.0)
    it.yard.moves("TK-1", 0.0)
    it.deed(TransferVerb.PAUSE, 1)
    it.passes(1800.0)
    now = told(it)
    assert now.mean_rate.value == pytest.approx(FLOW_M3_S / 2.0)
    assert now.finish is None, "nothing flows"


def test_a_level_that_is_lost_makes_it_unknown_and_never_zero() -> None:
    it = running()
    it.passes(600.0)
    it.yard.tanks["TK-1"].is_lost = True
    it.passes(60.0)
    now = told(it)
    for figure in (now.moved["gsv"], now.rate, now.mean_rate, now.missing):
        assert figure.value is None
        assert figure.quality is Quality.BAD
        assert figure.reasons
    assert now.finish is None
    assert now.room_left_m3 is None


def test_of_a_rate_of_nothing_no_finish_is_told() -> None:
    it = running()
    it.passes(600.0)
    it.yard.tanks["TK-1"].rate_m_s = 1e-8
    it.passes(60.0)
    assert told(it).finish is None, "in twelve years"
    tank = it.yard.tanks["TK-1"]
    tank.motion, tank.rate_m_s = Motion.AT_REST, RATE_M_S / 10.0
    it.passes(60.0)
    assert told(it).finish is None, "the watch calls it rest"
    tank.motion = Motion.FILLING
    it.yard.moves("TK-1", -RATE_M_S)
    it.passes(60.0)
    assert told(it).finish is None, "the other way"


def test_a_clock_at_the_end_of_time_tells_no_finish() -> None:
    it = running()
    it.passes(600.0)
    assert progress(it.transfer(1), it.latest, datetime(9999, 12, 31, 23, 59, tzinfo=UTC)).finish is None


def test_once_all_has_moved_nothing_is_missing() -> None:
    it = running(amount=100.0)
    it.passes(3600.0)
    now = told(it)
    assert now.missing.value == pytest.approx(100.0 - 274.8265, abs=1e-3)
    assert now.finish is None


def test_without_a_plan_and_before_the_beginning() -> None:
    it = running(amount=None)
    it.passes(600.0)
    now = told(it)
    assert (now.planned, now.missing.value, now.finish) == (None, None, None)
    assert now.moved["gsv"].value == pytest.approx(FLOW_M3_S * 600.0)
    it.does(PlanTransfer(TransferKind.DISPATCH, "TK-2", None, Described(50.0, "mass"), "ann"))
    planned = progress(it.transfer(2), it.latest, it.yard.now)
    assert planned.moved == {}
    assert (planned.measure, planned.planned) == ("mass", 50.0)
    assert planned.rate.value is None
    assert planned.pumpable_left_m3 is not None


def test_from_tank_to_tank_it_is_what_comes_in() -> None:
    it = Life()
    it.passes(1200.0)
    it.starts(TransferKind.TANK_TO_TANK, "TK-1", "TK-2")
    it.yard.moves("TK-1", -RATE_M_S)
    it.yard.moves("TK-2", RATE_M_S / 2.0)
    it.passes(600.0)
    now = told(it)
    assert now.moved["gsv"].value == pytest.approx(FLOW_M3_S * 300.0)
    assert now.rate.value == pytest.approx(FLOW_M3_S / 2.0)
    assert now.room_left_m3 is not None
    assert now.pumpable_left_m3 is not None


def test_by_a_clock_that_was_set_back_before_the_opening_no_mean_rate_is_told() -> None:
    it = running()
    it.passes(600.0)
    it.yard.is_set(-timedelta(days=1).total_seconds())
    it.passes(10.0)
    now = told(it)
    assert now.mean_rate.value is None
    assert now.moved["gsv"].value == pytest.approx(FLOW_M3_S * 610.0)
