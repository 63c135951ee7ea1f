"""Whatever a device counts and in whatever order it sends it, the dip finds it."""

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gateway.acquisition.signals.register_map import ByteOrder, ValueType
from gateway.commissioning.decodings import NUMBER_TYPES, orders_of
from gateway.commissioning.dip_match import DipQuestion, Match, Measures, Strength, match_dip, still_fitting
from gateway.modbus.tables import Table
from tests.commissioning.wire_words import on_the_wire

# Metres in one count, written out here: NIST SP 811 (2008), B.8, has 1 ft = 0.3048 m and 1 in = 0.0254 m exactly.
_METRES = {
    "0.1 mm": 0.0001,
    "1 mm": 0.001,
    "1 cm": 0.01,
    "1 m": 1.0,
    "1/16 in": 0.0015875,
    "1/8 in": 0.003175,
    "1 in": 0.0254,
    "0.01 ft": 0.003048,
    "1 ft": 0.3048,
}
_HOLDING = Table.HOLDING_REGISTERS
_ways = st.tuples(st.sampled_from(NUMBER_TYPES), st.sampled_from(ByteOrder), st.sampled_from(sorted(_METRES))).filter(
    lambda way: way[1] in orders_of(way[0])
)


def _named(match: Match) -> tuple[int, str, str, str, str]:
    return (match.address, match.type.value, match.order.value, match.counts, match.measures.value)


def _fits(found: list[Match], address: int, kind: str, order: str, counts: str, measures: str) -> Match:
    """The match for what was sent; a signed integer goes under its unsigned twin where both read alike."""
    for match in found:
        kinds = {match.type.value} | ({match.type.value[1:]} if match.sign_open else set())
        if _named(match)[2:] == (order, counts, measures) and match.address == address and kind in kinds:
            return match
    raise AssertionError(f"{kind} {order} {counts} {measures} at {address} is not among {found}")


def _count(kind: str, counts: str, measured: float) -> float:
    """What the device sends: whole counts where the type is whole."""
    number = measured / _METRES[counts]
    return number if kind.startswith("float") else round(number)


@given(_ways, st.floats(0.05, 19.0), st.booleans(), st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2))
def test_the_right_way_is_found_and_first_when_alone(
    way: tuple[ValueType, ByteOrder, str], innage: float, ullage: bool, others: list[int]
) -> None:
    kind, order, counts = way
    height = 20.0
    measured = height - innage if ullage else innage
    number = _count(kind.value, counts, measured)
    assume(number <= 0x7FFF or kind.registers > 1 or kind is ValueType.UINT16)
    assume(number <= 0xFFFF or kind.registers > 1)
    words = [others[0], *on_the_wire(kind.value, order.value, number), others[1]]
    # Half a count is lost when a level is rounded to whole counts; a hand dip is read to 1 mm.
    tolerance = 0.001 + (0.0 if kind.value.startswith("float") else _METRES[counts] / 2)
    found = match_dip(_HOLDING, words, 10, DipQuestion(innage, tolerance, height))
    measures = "ullage" if ullage else "innage"
    right = _fits(found, 11, kind.value, order.value, counts, measures)
    assert right.innage == pytest.approx(innage, abs=tolerance + 1e-6)
    if len(found) == 1:
        assert found[0] == right
    assert [match.chance for match in found] == sorted(match.chance for match in found)


@given(_ways, st.floats(1.0, 9.0), st.floats(10.0, 19.0))
def test_two_dips_leave_the_right_way_standing(way: tuple[ValueType, ByteOrder, str], low: float, high: float) -> None:
    kind, order, counts = way
    numbers = [_count(kind.value, counts, level) for level in (low, high)]
    assume(max(numbers) <= 0x7FFF or kind.registers > 1)
    tolerance = 0.001 + (0.0 if kind.value.startswith("float") else _METRES[counts] / 2)
    first, second = (
        match_dip(_HOLDING, on_the_wire(kind.value, order.value, number), 0, DipQuestion(level, tolerance, 20.0))
        for number, level in zip(numbers, (low, high), strict=True)
    )
    kept = still_fitting(second, first)
    _fits(kept, 0, kind.value, order.value, counts, "innage")
    assert {_named(match) for match in kept} <= {_named(match) for match in second}


@given(
    st.sampled_from([("uint16", "1 uA", 0.001), ("uint16", "0.01 mA", 0.01), ("float32", "1 mA", 1.0)]),
    st.sampled_from(ByteOrder),
    st.floats(0.1, 7.9),
)
def test_a_current_loop_is_found_by_its_span(sent: tuple[str, str, float], order: ByteOrder, innage: float) -> None:
    kind, counts, per_count = sent
    assume(order in orders_of(ValueType(kind)))
    milliampere = 4.0 + 16.0 * innage / 8.0
    number = milliampere / per_count
    words = on_the_wire(kind, order.value, number if kind == "float32" else round(number))
    question = DipQuestion(innage, 0.001 + per_count / 4, span=(0.0, 8.0))
    _fits(match_dip(_HOLDING, words, 0, question), 0, kind, order.value, counts, "innage")


def test_a_level_at_half_the_reference_height_cannot_tell_innage_from_ullage() -> None:
    found = match_dip(_HOLDING, [5000], 0, DipQuestion(5.0, 0.004, 10.0))
    assert {match.measures for match in found} == {Measures.INNAGE, Measures.ULLAGE}


def test_without_a_reference_height_no_ullage_is_supposed() -> None:
    assert match_dip(_HOLDING, [5828], 0, DipQuestion(9.412, 0.004)) == []
    (match,) = match_dip(_HOLDING, [5828], 0, DipQuestion(9.412, 0.004, 15.240))
    assert (match.counts, match.measures) == ("1 mm", Measures.ULLAGE)


def test_the_tolerance_itself_still_fits_and_no_more() -> None:
    question = DipQuestion(9.412, 0.004)
    assert [match.counts for match in match_dip(_HOLDING, [9416], 0, question)] == ["1 mm"]
    assert match_dip(_HOLDING, [9417], 0, question) == []


def test_a_float_that_fits_is_stronger_evidence_than_a_small_integer() -> None:
    words = [*on_the_wire("float32", "CDAB", 9.412), 9412]
    found = match_dip(_HOLDING, words, 0, DipQuestion(9.412, 0.004))
    assert [(match.type, match.order) for match in found] == [
        (ValueType.FLOAT32, ByteOrder.CDAB),
        (ValueType.UINT16, ByteOrder.ABCD),
    ]
    assert [match.strength for match in found] == [Strength.STRONG, Strength.FAIR]


def test_signed_and_unsigned_are_one_match_until_a_level_tells_them_apart() -> None:
    (match,) = match_dip(_HOLDING, [9412], 0, DipQuestion(9.412, 0.004))
    assert (match.type, match.sign_open) == (ValueType.UINT16, True)
    # 40,000 tenths of a millimetre are negative as int16.
    high = match_dip(_HOLDING, [40_000], 0, DipQuestion(4.0, 0.0004))
    assert [(one.type, one.sign_open) for one in high] == [(ValueType.UINT16, False)]
    low = match_dip(_HOLDING, [10_000], 0, DipQuestion(1.0, 0.0004))
    assert still_fitting(high, low) == high


def test_not_a_number_fits_nothing() -> None:
    assert match_dip(_HOLDING, [0x7FC0, 0], 0, DipQuestion(9.412, 0.004)) == []


def test_a_failed_loop_fits_nothing() -> None:
    # 3.5 mA is a failed transmitter (NAMUR NE 43), though the arithmetic would give -0.25 m.
    question = DipQuestion(-0.25, 0.001, span=(0.0, 8.0))
    assert match_dip(_HOLDING, [3500], 0, question) == []
    assert match_dip(_HOLDING, [4000], 0, replace(question, innage=0.0)) != []


def test_what_fits_the_second_dip_alone_is_dropped() -> None:
    first = match_dip(_HOLDING, [9412, 7], 0, DipQuestion(9.412, 0.004))
    second = match_dip(_HOLDING, [5000, 5000], 0, DipQuestion(5.0, 0.004))
    assert [match.address for match in second] == [0, 1]
    assert [match.address for match in still_fitting(second, first)] == [0]
