"""What a line did within a window, from two documents of a gateway that a reload may have changed in between."""

from datetime import UTC, datetime, timedelta

import pytest

from gateway.commands.technician.line_counts import _observed
from gateway.payload.lines import LinesTold
from gateway.status import Histogram, InstrumentStatus, LineStatus

START = datetime(2026, 11, 25, 6, tzinfo=UTC)


def told(at_s: float, since_s: float, count: int) -> LinesTold:
    """Half a second of waiting for each of `count` requests, one in ten of which was not answered."""
    since_ns = round((START.timestamp() + since_s) * 1e9)
    durations = Histogram((0.1, float("inf")), (count // 2, count - count // 10), 0.5 * count)
    line = LineStatus("bus", True, 0.5 * count, durations, late_answers=count // 10, since_ns=since_ns)
    gauge = InstrumentStatus("LT-1", "bus", True, count, {"no_answer": count // 10}, None, durations)
    return LinesTold("harbour", "b" * 32, False, START, START + timedelta(seconds=at_s), (line,), (gauge,))


@pytest.mark.parametrize(
    ("before", "now", "window_s", "requests"),
    [
        (told(1_000.0, 0.0, 1_000), told(1_060.0, 0.0, 1_060), 60.0, 60),
        # Changed 20 s before the end: counted anew since then, and not 980 requests less than none.
        (told(1_000.0, 0.0, 1_000), told(1_060.0, 1_040.0, 20), 20.0, 20),
        # As many again as before: the counts alone would not tell.
        (told(1_000.0, 0.0, 40), told(1_060.0, 1_010.0, 50), 50.0, 50),
        # Over all the time: of a line that a reload has changed that is the time since then.
        (None, told(1_000.0, 0.0, 1_000), 1_000.0, 1_000),
        (None, told(1_000.0, 960.0, 40), 40.0, 40),
    ],
)
def test_a_line_that_a_reload_has_changed_is_counted_since_then(
    before: LinesTold | None, now: LinesTold, window_s: float, requests: int
) -> None:
    (line,) = _observed("127.0.0.1:9109", now, before, {}).lines
    assert line.window_s == pytest.approx(window_s)
    assert line.busy_s == pytest.approx(0.5 * requests)
    (gauge,) = line.instruments
    assert gauge.requests == requests
    assert gauge.errors.get("no_answer", 0) == requests // 10
    assert line.late_answers == requests // 10
