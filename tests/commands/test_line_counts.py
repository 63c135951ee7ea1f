"""The counts of a window, from two documents of a gateway that was reloaded between them."""

from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commands.technician.line_counts import Observed, observe_gateway
from gateway.commissioning.line_findings import judge_line
from gateway.payload.lines import lines_json
from gateway.payload.readings import READINGS_SCHEMA
from gateway.status import Histogram, InstrumentStatus, LineStatus
from tests.support.records import NOON, snapshot

_BOUNDS_S = (0.01, 0.1, float("inf"))
_NOON_NS = int(NOON.timestamp()) * 1_000_000_000
_REQUESTS = st.lists(st.integers(0, 1000), min_size=3, max_size=3)


def _document(answers: list[int], since_ns: int, time_ns: int) -> dict[str, Any]:
    """A line and its one instrument, with so many answers within each bound, all counts begun at `since_ns`."""
    within = tuple(sum(answers[: index + 1]) for index in range(3))
    times = Histogram(_BOUNDS_S, within, 0.005 * within[-1])
    line = LineStatus("bus-a", True, 0.005 * within[-1], times, within[-1], within[-1], since_ns=since_ns)
    instrument = InstrumentStatus("LT-1", "bus-a", True, within[-1], {"no_answer": within[0]}, None, times)
    at = snapshot()._replace(
        lines=[line], instruments=[instrument], started_ns=_NOON_NS - 3600 * 10**9, instant=_instant(time_ns)
    )
    document: dict[str, Any] = orjson.loads(lines_json(at))
    return document


def _instant(time_ns: int) -> Any:
    return NOON.fromtimestamp(time_ns / 1e9, NOON.tzinfo)


def _observed(before: dict[str, Any], after: dict[str, Any]) -> Observed:
    told = iter([before, after])

    def answer(_: str, path: str, schema: str, __: float) -> dict[str, Any]:
        return {"schema": READINGS_SCHEMA, "readings": []} if schema == READINGS_SCHEMA else next(told)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("gateway.commands.technician.line_counts.fetch_json", answer)
        return observe_gateway("127.0.0.1:9109", 0.001)


@given(_REQUESTS, _REQUESTS)
def test_a_line_that_a_reload_began_anew_counts_from_there(earlier: list[int], since: list[int]) -> None:
    """Watched for ten seconds from noon, begun anew at the sixth: its counts are of the last four."""
    begun_ns, end_ns = _NOON_NS + 6 * 10**9, _NOON_NS + 10 * 10**9
    observed = _observed(
        _document(earlier, _NOON_NS - 3600 * 10**9, _NOON_NS),
        _document(since, begun_ns, end_ns),
    )
    assert observed.window_s == 10.0
    (line,) = observed.lines
    (one,) = line.instruments
    assert line.window_s == 4.0
    assert (one.requests, one.answers, line.late_answers) == (sum(since), sum(since), sum(since))
    assert judge_line(line) is not None


@given(_REQUESTS, _REQUESTS)
def test_a_line_that_went_on_counts_what_was_added(earlier: list[int], added: list[int]) -> None:
    begun_ns = _NOON_NS - 3600 * 10**9
    after = [one + more for one, more in zip(earlier, added, strict=True)]
    observed = _observed(
        _document(earlier, begun_ns, _NOON_NS),
        _document(after, begun_ns, _NOON_NS + 10 * 10**9),
    )
    (line,) = observed.lines
    (one,) = line.instruments
    assert line.window_s == 10.0
    assert (one.requests, one.answers, line.unsolicited_frames) == (sum(added), sum(added), sum(added))
