"""The time of a simulated site that passes faster than the machine's."""

from datetime import UTC, datetime

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commands.service.time_factor import checked_time_factor
from gateway.daemon import Daemon
from gateway.errors import UsageError
from gateway.page_joining import lines_now
from gateway.payload.lines import lines_of
from gateway.records import Quality, Reading
from gateway.resources import config_path
from gateway.scenario_time import FASTEST, ScenarioClock
from gateway.settings.site import load_site
from tests.commands.typed import typed

S = 1_000_000_000


class Machine:
    """A clock that a test sets."""

    def __init__(self, utc_s: int, monotonic_s: int) -> None:
        self.utc = utc_s * S
        self.monotonic = monotonic_s * S

    def utc_ns(self) -> int:
        return self.utc

    def monotonic_ns(self) -> int:
        return self.monotonic

    def passes(self, s: float) -> None:
        self.utc += round(s * S)
        self.monotonic += round(s * S)


def test_an_hour_passes_in_a_minute() -> None:
    machine = Machine(1_800_000_000, 500)
    clock = ScenarioClock(machine, 60.0)
    assert (clock.utc_ns(), clock.monotonic_ns()) == (machine.utc, machine.monotonic)
    machine.passes(60)
    assert clock.monotonic_ns() == 500 * S + 3600 * S
    assert clock.utc_ns() == 1_800_003_600 * S


def test_the_clock_of_the_machine_may_be_set_meanwhile() -> None:
    machine = Machine(1_800_000_000, 500)
    clock = ScenarioClock(machine, 60.0)
    machine.utc += 7200 * S
    machine.passes(1)
    assert clock.utc_ns() == 1_800_000_060 * S


@given(st.floats(1.0, FASTEST), st.lists(st.floats(0.0, 1e5), min_size=2, max_size=6))
def test_it_never_goes_back_and_dates_readings_as_it_goes(factor: float, passing_s: list[float]) -> None:
    machine = Machine(1_800_000_000, 500)
    clock = ScenarioClock(machine, factor)
    taken: list[Reading] = []
    sink = clock.dated(taken.extend)
    before = clock.monotonic_ns()
    for seconds in passing_s:
        machine.passes(seconds)
        now = clock.monotonic_ns()
        assert now >= before
        before = now
        sink([Reading("LT-1", "level", 1.0, Quality.GOOD, None, machine.utc, machine.monotonic, (1,))])
        assert (taken[-1].monotonic_ns, taken[-1].time_ns) == (now, clock.utc_ns())
        assert taken[-1][:5] == ("LT-1", "level", 1.0, Quality.GOOD, None)


@pytest.mark.parametrize("factor", [0.99, 0.0, -1.0, 3600.5, float("inf"), float("nan")])
def test_a_factor_out_of_range_is_refused(factor: float) -> None:
    with pytest.raises(UsageError, match="is not between 1 and 3600"):
        checked_time_factor(factor, simulated=True)


@pytest.mark.parametrize(("simulated", "code"), [("no", 2), ("yes", 0)])
def test_the_time_of_a_real_site_is_its_own(simulated: str, code: int) -> None:
    if code:
        with pytest.raises(UsageError, match="the time of a real site passes as it does"):
            checked_time_factor(60.0, simulated=simulated == "yes")
    else:
        assert checked_time_factor(60.0, simulated=True) == 60.0
    assert checked_time_factor(1.0, simulated=False) == 1.0


def test_lines_are_told_by_the_time_by_which_they_count() -> None:
    """Ten seconds of the machine are ten minutes of the site: in them a line can have been busy for ten seconds."""
    machine = Machine(1_800_000_000, 500)
    site = load_site(config_path("examples/paint_works.yaml"), now=datetime(2027, 1, 15, tzinfo=UTC))
    gateway = Daemon(site, clock=machine, time_factor=60.0)
    machine.passes(10.0)
    assert gateway.snapshot().instant.timestamp() == 1_800_000_600.0
    told = lines_of(orjson.loads(lines_now(gateway.snapshot(), machine)))
    assert (told.started.timestamp(), told.time.timestamp()) == (1_800_000_000.0, 1_800_000_010.0)


def test_run_refuses_it_before_anything_is_asked(capsys: pytest.CaptureFixture[str]) -> None:
    said = typed(capsys, "run", str(config_path("one_tank.yaml")), "--time-factor", "60")
    assert (said.code, said.out) == (2, "")
    assert "--time-factor 60: the time of a real site passes as it does" in said.err
