"""A loop judged at fed currents. NE 43 bands: NAMUR NE 43; the arithmetic of 4-20 mA: common practice."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.signals.register_map import ByteOrder, CurrentLoop, Signal, ValueType
from gateway.commissioning.current_loop import judge_loop, judge_point, read_loop
from gateway.modbus.tables import Table
from gateway.records import Quality
from tests.commissioning.wire_words import on_the_wire

# 1 uA a count; 4-20 mA = 0-8 m.
_SIGNAL = Signal("innage", Table.INPUT_REGISTERS, 0, ValueType.UINT16, scale=0.001, loop=CurrentLoop(0.0, 8.0))


def test_a_good_loop_passes() -> None:
    points = [
        judge_point(_SIGNAL, 4.0, [(4002,), (4000,)], 0.005),
        judge_point(_SIGNAL, 12.0, [(12_010,), (12_012,)], 0.005),
        judge_point(_SIGNAL, 20.0, [(19_990,), (19_995,)], 0.005),
    ]
    assert [point.passed for point in points] == [True, True, True]
    assert [point.expected for point in points] == [0.0, 4.0, 8.0]
    # 12 uA of a span of 16 mA.
    assert points[1].error == pytest.approx(0.00075)
    assert points[1].spread == pytest.approx(0.000125)
    assert points[1].mean_ma == pytest.approx(12.011)
    assert judge_loop(points) == (True, "every read lies within the tolerance")


@pytest.mark.parametrize(
    ("fed_ma", "counts", "why"),
    [
        (12.0, [12_100, 12_100], "off by +0.62% of the span, more than 0.50%"),
        (12.0, [12_000, 12_200], "unsteady: the reads differ by 1.25% of the span; wait longer, look for noise"),
        (20.0, [12_000, 12_000], "12.000 mA is far from the current fed: look at scale, channel and wiring"),
    ],
)
def test_a_loop_that_is_off_says_how(fed_ma: float, counts: list[int], why: str) -> None:
    point = judge_point(_SIGNAL, fed_ma, [(count,) for count in counts], 0.005)
    assert (point.passed, point.why) == (False, why)


def test_a_value_that_the_site_file_calls_bad_does_not_pass() -> None:
    signal = Signal(
        "innage",
        Table.INPUT_REGISTERS,
        0,
        ValueType.UINT16,
        scale=0.001,
        loop=CurrentLoop(0.0, 8.0),
        maximum=7.0,
    )
    point = judge_point(signal, 20.0, [(20_000,)], 0.005)
    assert not point.passed
    assert point.why == "the site file calls it Bad: innage: 8 is above 7, the highest that the instrument can mean"


def test_words_that_never_move_fail_whatever_the_points_say() -> None:
    points = [judge_point(_SIGNAL, fed, [(12_000,)], 0.6) for fed in (4.0, 12.0, 20.0)]
    assert all(point.passed for point in points)
    assert judge_loop(points) == (
        False,
        "the words stayed the same at every current: this is not the channel that is fed, or it is frozen",
    )


def test_a_channel_that_is_turned_round() -> None:
    points = [judge_point(_SIGNAL, fed, [(count,)], 0.005) for fed, count in ((4.0, 20_000), (20.0, 4000))]
    assert judge_loop(points) == (
        False,
        "the reading falls as the current rises: the channel or its scale is turned round",
    )


def test_failed_points_are_named() -> None:
    points = [judge_point(_SIGNAL, fed, [(count,)], 0.005) for fed, count in ((4.0, 4000), (20.0, 19_000))]
    assert judge_loop(points) == (False, "out of tolerance at 20 mA")


def test_no_number_is_no_pass() -> None:
    signal = Signal("x", Table.INPUT_REGISTERS, 0, ValueType.FLOAT32, loop=CurrentLoop(0.0, 8.0))
    point = judge_point(signal, 4.0, [(0x7FC0, 0)], 0.005)
    assert not point.passed
    assert point.why == "the words are no number: look at type and byte order"
    assert math.isnan(point.error)


def test_wrong_use_is_refused() -> None:
    with pytest.raises(ValueError, match="x is no current loop"):
        read_loop(Signal("x", Table.INPUT_REGISTERS, 0, ValueType.UINT16), (4000,))
    with pytest.raises(ValueError, match="nothing to judge"):
        judge_point(_SIGNAL, 4.0, [], 0.005)


@given(
    st.floats(4.0, 20.0),
    st.floats(-0.02, 0.02),
    st.floats(0.001, 0.01),
    st.sampled_from(ByteOrder),
)
def test_exactly_the_reads_within_the_tolerance_pass(
    fed_ma: float, error: float, tolerance: float, order: ByteOrder
) -> None:
    signal = Signal("x", Table.INPUT_REGISTERS, 0, ValueType.FLOAT64, order, loop=CurrentLoop(-1.0, 3.0))
    sent_ma = fed_ma + error * 16.0
    point = judge_point(signal, fed_ma, [tuple(on_the_wire("float64", order.value, sent_ma))], tolerance)
    if abs(abs(error) - tolerance) > 1e-6 and 3.8 < sent_ma < 20.5:
        assert point.passed == (abs(error) < tolerance)
        assert point.readings[0].quality is Quality.GOOD
        assert point.readings[0].value == pytest.approx(-1.0 + (sent_ma - 4.0) / 4.0, abs=1e-5)
