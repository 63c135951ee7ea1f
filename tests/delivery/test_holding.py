"""Until when a sheet holds at a destination that takes back itself what is stale: as the JSON of it says."""

import random
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.clock import SystemClock
from gateway.delivery.contract import Surroundings
from gateway.delivery.holding import Holding, steady_s
from gateway.delivery.opcua.delivery import OpcuaDelivery
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.registers.image import RegisterImage
from gateway.delivery.sparkplug.delivery import SparkplugDelivery
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.sparkplug.tanks import Tanks
from gateway.status import GatewaySnapshot
from gateway.tank_record import TankRecord
from tests.support.records import BOOT, NOON, record, snapshot

_BLOCK = 320


def site(factor: float, since_noon_s: float) -> Callable[[], GatewaySnapshot]:
    return lambda: snapshot()._replace(time_factor=factor, instant=NOON + timedelta(seconds=since_noon_s))


@given(
    factor=st.sampled_from([1.0, 2.0, 60.0, 3600.0]),
    holds_s=st.floats(10.0, 9000.0),
    age_s=st.floats(0.0, 20_000.0),
    waits_s=st.floats(0.0, 10_000.0),
)
def test_it_holds_as_long_as_its_own_valid_until_whoever_tells_it(
    factor: float, holds_s: float, age_s: float, waits_s: float
) -> None:
    """Made at noon, offered `age_s` of the site later to a new destination, looked at after `waits_s` more of the
    site, which are `waits_s / factor` of the clock: it holds where age + wait are less than what it holds for."""
    sheet = record("TK-1")._replace(valid_for_s=holds_s)
    left_s = holds_s - age_s - waits_s
    if abs(left_s) < 1e-3:
        return
    offered_s = 500.0
    looked_s = offered_s + waits_s / factor
    until_s = Holding(site(factor, age_s)).until_s(sheet, offered_s)
    assert until_s is not None
    assert (looked_s < until_s) is (left_s > 0.0)
    tanks = Tanks()
    tanks.offer(sheet, offered_s, until_s)
    assert tanks.is_present("TK-1", looked_s) is (left_s > 0.0)
    # As the registers have it.
    image = RegisterImage({"TK-1": 1}, "ABCD")
    image.hear(site(factor, age_s)(), round(offered_s * 1e9))
    image.take(sheet, round((offered_s - age_s / factor) * 1e9))
    assert image.read(_BLOCK, 1, round(looked_s * 1e9)) == (b"\0\1" if left_s > 0.0 else b"\0\2")


def test_only_what_comes_first_of_a_tank_is_older_than_its_coming() -> None:
    holding = Holding(site(1.0, 7.0))
    sheet = record("TK-1")._replace(valid_for_s=10.0)
    assert [holding.until_s(sheet, 100.0), holding.until_s(sheet, 101.0)] == [103.0, 111.0]
    assert holding.until_s(sheet._replace(valid_for_s=None), 102.0) is None


def test_a_clock_that_was_set_back_makes_no_sheet_newer_than_its_coming() -> None:
    assert Holding(site(1.0, -3600.0)).until_s(record("TK-1")._replace(valid_for_s=10.0), 100.0) == 110.0


def test_it_goes_by_a_clock_that_does_not_stop_while_the_machine_sleeps() -> None:
    before = SystemClock().monotonic_ns()
    assert before <= round(steady_s() * 1e9) + 1000 <= SystemClock().monotonic_ns() + 2000


@pytest.mark.parametrize("kind", ["opcua", "sparkplug"])
def test_a_destination_that_is_new_does_not_show_what_is_old(kind: str, tmp_path: Path) -> None:
    """A sheet of noon that holds 10 s of the site, whose time passes 60 times as fast, offered 4 s later: it holds
    (10 - 4) / 60 = 0.1 s more of the clock."""
    now_s = [1000.0]
    around = Surroundings("harbour", BOOT, site(60.0, 4.0), random.Random(1), lambda _: None)
    shows = _opcua(around, now_s, tmp_path) if kind == "opcua" else _sparkplug(around, now_s)
    assert shows(record("TK-1")._replace(valid_for_s=10.0), 0.09)
    now_s[0] = 2000.0
    shows = _opcua(around, now_s, tmp_path) if kind == "opcua" else _sparkplug(around, now_s)
    assert not shows(record("TK-1")._replace(valid_for_s=10.0), 0.11)


def _opcua(around: Surroundings, now_s: list[float], folder: Path) -> Callable[[TankRecord, float], bool]:
    made = OpcuaDelivery(OpcuaPlan("127.0.0.1", 1, folder), around, monotonic=lambda: now_s[0])

    def shows(sheet: TankRecord, after_s: float) -> bool:
        made.offer(sheet)
        now_s[0] += after_s
        left_s = made._sheet("TK-1")["left"]
        return bool(left_s > 0.0)

    return shows


def _sparkplug(around: Surroundings, now_s: list[float]) -> Callable[[TankRecord, float], bool]:
    made = SparkplugDelivery(SparkplugPlan((("127.0.0.1", 1),), "plant", "node"), around, monotonic=lambda: now_s[0])

    def shows(sheet: TankRecord, after_s: float) -> bool:
        made.offer(sheet)
        now_s[0] += after_s
        return made._tanks.is_present("TK-1", now_s[0])

    return shows
