"""The changes that are kept for those who have missed a few."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.web.stream.parcel import Parcel
from gateway.web.stream.ring import Ring


def _filled(count: int, *, at_most: int = 10**6) -> Ring:
    ring = Ring()
    for number in range(1, count + 1):
        ring.add(Parcel(b"%d" % number), at_most=at_most)
    return ring


@given(st.integers(0, 450), st.integers(-5, 460))
def test_who_has_missed_a_few_is_told_exactly_those(count: int, last: int) -> None:
    found = _filled(count).since(last)
    if max(0, count - 200) <= last <= count:
        assert found is not None
        assert [each.text for each in found] == [b"%d" % number for number in range(last + 1, count + 1)]
    else:
        assert found is None


@given(st.lists(st.binary(min_size=1, max_size=50), min_size=1), st.integers(0, 200))
def test_they_are_bounded_by_size_but_for_the_newest(changes: list[bytes], at_most: int) -> None:
    ring = Ring()
    for change in changes:
        ring.add(Parcel(change), at_most=at_most)
        kept = [missed for number in range(ring.number) if (missed := ring.since(number)) is not None]
        assert [each.text for each in ring.since(ring.number - 1) or ()] == [change]
        assert sum(len(each.text) for each in kept[0]) <= max(at_most, len(change))


def test_nothing_leads_over_a_new_beginning() -> None:
    ring = _filled(3)
    ring.begin_anew()
    assert ring.number == 4
    assert [ring.since(number) for number in range(5)] == [None, None, None, None, []]
    ring.add(Parcel(b"5"), at_most=10)
    assert [each.text for each in ring.since(4) or ()] == [b"5"]
    assert ring.since(3) is None
