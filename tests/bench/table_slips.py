"""How many slips of the pen `table check` finds in seeded capacity tables, and how many sound tables it flags.

No speed: rates over 200 tables of each kind (500 with --long), each alone and beside the dimensions of its tank. They
are those of `tests/support/seeded_tables.py`, upright, lying and spherical as they come there.
"""

import os
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import NamedTuple

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import against_shape
from gateway.calculation.tables.slips import SlipKind, find_slips
from tests.support.seeded_tables import SLIPS, calibration, slipped

__all__ = ["measure"]

SOUND = "sound tables, flagged"
NAMED: dict[str, tuple[SlipKind, ...]] = {
    "one course scaled by 1 %": (SlipKind.SCALED,),
    "row missing": (SlipKind.ROW_MISSING,),
    "volume with wrong digits": (SlipKind.WRONG_DIGITS, SlipKind.EXCHANGED_DIGITS),
    "datum moved": (SlipKind.DATUM_MOVED,),
    "datum moved, same levels": (SlipKind.DATUM_MOVED,),
    "volumes a row off": (SlipKind.ROWS_OFF,),
}
"""What each slip is rightly called."""


class _Found(NamedTuple):
    alone: bool
    beside: bool
    named: bool
    """Alone or beside, and by its own name."""


def measure(*, long: bool) -> dict[str, object]:
    count = 500 if long else 200
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        rows = [_row(SOUND, pool.map(_sound, range(count), chunksize=5))]
        rows += [_row(slip, pool.map(partial(_slipped, slip), range(count), chunksize=5)) for slip in SLIPS]
    return {
        "title": f"Capacity tables: what `table check` finds in {count} seeded tables of each kind",
        "columns": ["", "alone", "beside dimensions", "called by its name"],
        "table": rows,
    }


def _row(name: str, found: Iterable[_Found]) -> list[str]:
    results = list(found)

    def rate(hits: int) -> str:
        return f"{100.0 * hits / len(results):.1f} %"

    named = rate(sum(each.named for each in results)) if name in NAMED else "-"
    return [name, rate(sum(each.alone for each in results)), rate(sum(each.beside for each in results)), named]


def _sound(seed: int) -> _Found:
    made = calibration(seed)
    return _looked_at(made.table, made.dimensions, ())


def _slipped(slip: str, seed: int) -> _Found:
    made, table = slipped(slip, seed)
    return _looked_at(table, made.dimensions, NAMED[slip])


def _looked_at(table: CapacityTable, dimensions: Capacity, names: tuple[SlipKind, ...]) -> _Found:
    alone, beside = find_slips(table), find_slips(table, dimensions)
    named = any(slip.kind in names for slip in (*alone, *beside))
    return _Found(bool(alone), bool(beside or against_shape(table, dimensions).beyond), named)
