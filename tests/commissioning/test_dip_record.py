"""Three dips against a gauge. The limits of 3, 4 and 25 mm are common practice."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commissioning.dip_record import TOLERANCES_M, GaugeReading, Verdict, judge_dips
from gateway.records import Quality

_FINE = TOLERANCES_M["fine"]


def _gauge(*levels: float) -> list[GaugeReading]:
    return [GaugeReading(level, Quality.GOOD, "") for level in levels]


def test_a_gauge_that_agrees_passes() -> None:
    verdict = judge_dips([9.412, 9.413, 9.411], _gauge(9.4125), _FINE)
    assert verdict.verdict is Verdict.PASSED
    assert verdict.why == "the gauge reads +0.5 mm against the dips, within 4 mm"
    assert verdict.mean_dip == pytest.approx(9.412)
    assert verdict.spread == pytest.approx(0.002)
    assert verdict.difference == pytest.approx(0.0005)
    assert verdict.proposed_offset_change is None


def test_a_gauge_zero_62_mm_off_fails_and_the_change_is_proposed() -> None:
    verdict = judge_dips([9.412, 9.412, 9.412], _gauge(9.474), TOLERANCES_M["inventory"])
    assert verdict.verdict is Verdict.FAILED
    assert verdict.why == "the gauge reads +62.0 mm against the dips, more than 25 mm"
    assert verdict.proposed_offset_change == pytest.approx(-0.062)


@pytest.mark.parametrize(
    ("dips", "gauge", "why"),
    [
        ([9.412, 9.412], _gauge(9.412), "2 of 3 dips"),
        ([9.410, 9.412, 9.414], _gauge(9.412), "the dips differ by 4.0 mm, more than 3 mm: dip again"),
        (
            [9.412] * 3,
            _gauge(9.410, 9.412, 9.415),
            "the gauge moved by 5.0 mm between the dips: dip a tank at rest",
        ),
        (
            [9.412] * 3,
            [GaugeReading(None, Quality.BAD, "ullage: the instrument sends 65535")],
            "the gauge was Bad: ullage: the instrument sends 65535",
        ),
        (
            [9.412] * 3,
            [GaugeReading(9.412, Quality.UNCERTAIN, "the rate is implausible")],
            "the gauge was Uncertain: the rate is implausible",
        ),
    ],
)
def test_what_cannot_be_compared_is_neither_passed_nor_failed(
    dips: list[float], gauge: list[GaugeReading], why: str
) -> None:
    verdict = judge_dips(dips, gauge, _FINE)
    assert verdict.verdict is Verdict.INVALID
    assert verdict.why == why
    assert verdict.proposed_offset_change is None


@pytest.mark.parametrize(("millimetres", "passed"), [(4.0, True), (-4.0, True), (4.1, False), (-4.1, False)])
def test_the_tolerance_itself_passes(millimetres: float, passed: bool) -> None:
    verdict = judge_dips([9.412] * 3, _gauge(9.412 + millimetres / 1000), _FINE)
    assert (verdict.verdict is Verdict.PASSED) == passed


def test_dips_exactly_3_mm_apart_are_one_measurement() -> None:
    assert judge_dips([9.410, 9.412, 9.413], _gauge(9.412), _FINE).verdict is Verdict.PASSED


def test_nothing_to_judge_is_refused() -> None:
    with pytest.raises(ValueError, match="nothing to judge"):
        judge_dips([], _gauge(1.0), _FINE)


@given(st.floats(0.1, 20.0), st.floats(-0.2, 0.2))
def test_the_proposed_change_brings_the_gauge_to_the_dips(level: float, error: float) -> None:
    verdict = judge_dips([level] * 3, _gauge(level + error), _FINE)
    if verdict.verdict is Verdict.FAILED:
        assert verdict.proposed_offset_change is not None
        assert level + error + verdict.proposed_offset_change == pytest.approx(level)
    else:
        assert abs(error) <= _FINE + 1e-8
