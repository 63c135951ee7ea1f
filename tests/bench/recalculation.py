"""How long it takes to make the history of a tank again, a sheet at a time: from inputs, and from recorded sheets.

A year of one tank, one record a minute, is 525,600 sheets: 114 us a sheet is a minute a year. Reading and writing the
records (7 kB of JSON each) comes on top and is not measured here.
"""

from collections.abc import Callable, Iterable
from functools import partial

from gateway.calculation.history.recalculation import corrected, recalculate
from gateway.calculation.history.recorded import rebuilt, recorded_plan
from gateway.records import Inventory, Quality
from tests.bench import sheet_time
from tests.bench.interleaved import compare

__all__ = ["measure"]


def measure(*, long: bool) -> dict[str, object]:
    plan, inputs = sheet_time.plan(), sheet_time.inputs()
    as_recorded = recorded_plan(plan)
    sheets = list(recalculate(plan, inputs))

    def from_inputs() -> int:
        return _all_good(recalculate(plan, inputs))

    def from_records() -> int:
        given = corrected((rebuilt(as_recorded, sheet) for sheet in sheets), "mistyped", reference_density=840.5)
        return _all_good(recalculate(as_recorded, given))

    seconds = 3.0 if long else 0.5
    contenders: dict[str, Callable[[], tuple[float, float]]] = {
        sheet_time.BASELINE: partial(sheet_time.rate, sheet_time._plain_loop, seconds),
        "again, from inputs": partial(sheet_time.rate, from_inputs, seconds),
        "again, from records, density corrected": partial(sheet_time.rate, from_records, seconds),
    }
    found = compare(contenders, baseline=sheet_time.BASELINE, rounds=15 if long else 7)
    return {
        "title": "History made again: sheets of 16 elements (114 us each is a minute for a year of minutes)",
        "unit": "sheets/s",
        "baseline": sheet_time.BASELINE,
        "rows": [contender.row() for contender in found],
    }


def _all_good(sheets: Iterable[Inventory]) -> int:
    made = 0
    for sheet in sheets:
        # A cheaper sheet that has no result would not count.
        assert sheet.figures.nsv.quality is Quality.GOOD
        made += 1
    return made
