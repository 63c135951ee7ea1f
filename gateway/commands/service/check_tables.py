"""The capacity tables of a site looked at for slips of the pen, as `table check` looks, within a stated time.

A warning and no mistake: what looks like a slip may be the tank, and a person has to see it.
"""

import time
from collections.abc import Callable
from typing import NamedTuple

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.slips import find_slips
from gateway.settings.site import SiteSettings

__all__ = ["LONGEST_S", "MOST_ROWS", "Looked", "look_at_tables"]

LONGEST_S = 1.0
"""After which no further table is begun. A table of 1,500 rows takes about a tenth of it on a busy core."""
MOST_ROWS = 20_000
"""A longer table is left to `table check`."""
_SHOWN = 3


class Looked(NamedTuple):
    """What was found, and what was not looked at: sentences."""

    warnings: tuple[str, ...]
    remarks: tuple[str, ...]


def look_at_tables(file: str, settings: SiteSettings, monotonic: Callable[[], float] = time.monotonic) -> Looked:
    """Each table alone, and against the dimensions where its tank gives some."""
    begun_s = monotonic()
    warnings: list[str] = []
    left_out: list[str] = []
    for setup in settings.tanks:
        table, tank = setup.plan.capacity, setup.plan.tank
        if not isinstance(table, CapacityTable):
            continue
        if len(table.levels_m) > MOST_ROWS or monotonic() - begun_s > LONGEST_S:
            left_out.append(tank)
            continue
        slips = find_slips(table, setup.dimensions)
        place = f"{file}: tanks.{tank}.capacity_table"
        warnings += [f"{place}: {slip.text}" for slip in slips[:_SHOWN]]
        if slips:
            more = f"{len(slips) - _SHOWN} more; " if len(slips) > _SHOWN else ""
            warnings.append(
                f"{place}: {more}look closer with `tank-gateway table check FILE --site {file} --tank {tank}`"
            )
    remarks = []
    if left_out:
        remarks.append(
            f"not looked at for slips: the capacity {'table' if len(left_out) == 1 else 'tables'} of "
            f"{', '.join(left_out)} (after {LONGEST_S:g} s, or of more than {MOST_ROWS:,} rows); "
            "`tank-gateway table check` looks at each"
        )
    return Looked(tuple(warnings), tuple(remarks))
