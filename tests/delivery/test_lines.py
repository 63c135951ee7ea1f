"""How lines and instruments do, as a document: against its published schema, and back to the same."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.payload.lines import LINES_SCHEMA, lines_json, lines_of
from gateway.status import Histogram, InstrumentStatus, LineStatus
from tests.support.messages import valid_message
from tests.support.records import BOOT, NOON, snapshot

counts = st.integers(0, 2**53)
durations = st.builds(
    lambda bounds, sum_s: Histogram((*sorted(bounds), float("inf")), tuple(range(len(bounds) + 1)), sum_s),
    st.sets(st.floats(0.001, 60.0), max_size=4),
    st.floats(0.0, 1e9),
)
moments = st.none() | st.integers(0, 4_000_000_000_000).map(lambda ms: ms * 1_000_000)
names = st.text(min_size=1, max_size=5)
lines = st.builds(
    LineStatus,
    *(names, st.booleans(), st.floats(0.0, 1e9), durations, counts, counts, names, st.booleans()),
    *(counts, counts, counts, counts, counts, moments, st.booleans()),
    functions_sent=st.dictionaries(st.integers(1, 255), st.integers(1, 2**53), max_size=3),
)
instruments = st.builds(
    InstrumentStatus,
    *(names, names, st.booleans(), counts, st.dictionaries(names, counts, max_size=3)),
    moments,
    durations,
    st.none() | st.floats(0.001, 60.0),
    counts,
)


@given(st.lists(lines, max_size=3), st.lists(instruments, max_size=3))
def test_what_is_written_is_read_back_whole(some: list[LineStatus], others: list[InstrumentStatus]) -> None:
    """Every field is drawn, so that one that is added later and forgotten here shows."""
    state = snapshot()._replace(lines=some, instruments=others, started_ns=1_773_489_600_250_000_000)
    document = valid_message(lines_json(state))
    assert document["schema"] == LINES_SCHEMA
    told = lines_of(document)
    assert (told.site, told.boot, told.simulated, told.time) == (state.site, BOOT, state.simulated, state.instant)
    assert told.started == NOON
    assert told.lines == tuple(some)
    assert told.instruments == tuple(others)


def test_members_of_a_newer_version_are_left_alone() -> None:
    line = LineStatus("bus-a", True, 1.0, Histogram((float("inf"),), (3,), 0.5))
    document: dict[str, Any] = valid_message(lines_json(snapshot()._replace(lines=[line])))
    document["weather"] = "fair"
    document["lines"][0]["colour"] = "grey"
    assert lines_of(document).lines == (line,)


@pytest.mark.parametrize("member", ["site", "boot", "started", "lines", "instruments"])
def test_one_that_lacks_something_is_no_such_document(member: str) -> None:
    document = valid_message(lines_json(snapshot()))
    del document[member]
    with pytest.raises(KeyError, match=member):
        lines_of(document)
