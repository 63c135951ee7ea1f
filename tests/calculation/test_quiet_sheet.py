"""The short ways through a sheet of which nothing is to be said come to what the long ones do, to the last digit."""

from unittest.mock import patch

from hypothesis import given
from hypothesis import strategies as st

from gateway.calculation.inventory import calculate
from gateway.calculation.quantities import volumes
from gateway.calculation.temperature import average
from gateway.records import Input, Quality, Reason, ReasonCode, TankInput
from tests.bench.sheet_time import ELEMENTS, inputs, plan

PLAN = plan()
SAMPLE = inputs()[0]
REMARK = Reason(ReasonCode.MANUAL, "by hand")
qualities = st.sampled_from((Quality.GOOD,) * 90 + (Quality.UNCERTAIN, Quality.BAD))
by_hand = st.sampled_from((False,) * 90 + (True,))


@st.composite
def elements(draw: st.DrawFn) -> tuple[Input, ...]:
    made = []
    for number in range(ELEMENTS):
        quality, manual = draw(qualities), draw(by_hand)
        value = None if quality is Quality.BAD else draw(st.floats(13.5, 16.6))
        reason = REMARK if quality is not Quality.GOOD or draw(by_hand) else None
        made.append(Input(value, quality, reason, draw(st.floats(0.0, 60.0)), f"TT-1.t{number + 1}", manual))
    return tuple(made)


@given(elements(), st.floats(0.6, 17.9), st.floats(0.0, 1.0), st.floats(0.0, 0.01), by_hand)
def test_short_and_long_ways_agree(
    temperatures: tuple[Input, ...], ullage_m: float, water_m: float, share: float, has_manual_level: bool
) -> None:
    level, water, sediment = SAMPLE.level, SAMPLE.water, SAMPLE.sediment_water
    assert level is not None
    assert water is not None
    assert sediment is not None
    given_now: TankInput = SAMPLE._replace(
        level=level._replace(value=ullage_m, manual=has_manual_level),
        water=water._replace(value=water_m),
        elements=temperatures,
        sediment_water=sediment._replace(value=share),
    )
    short = calculate(PLAN, given_now)
    with (
        patch.object(average, "_quiet_average", return_value=None),
        patch.object(volumes, "_is_plain", return_value=False),
    ):
        assert calculate(PLAN, given_now) == short


def test_the_sample_takes_the_short_ways() -> None:
    with (
        patch.object(average, "_uses", side_effect=AssertionError),
        patch.object(volumes, "_product", side_effect=AssertionError),
    ):
        assert calculate(PLAN, SAMPLE)[0].quality is Quality.GOOD
