"""The volume that the tank's volumes give at a level: rows of a table with straight lines between, or its shape."""

import numpy as np

from tests.site_fuzz.oracle.geometry import volumes_of
from tests.site_fuzz.tanks import Table, Tank

__all__ = ["full_volume", "heel_of", "table_volume"]

_ROWS: dict[int, tuple[Table, np.ndarray, np.ndarray]] = {}


def table_volume(tank: Tank, level: float) -> float:
    """m3 at a level within the volumes."""
    table = tank.table
    if table is None:
        return volumes_of(tank).at(level)
    known = _ROWS.get(id(table))
    if known is None or known[0] is not table:
        rows = np.array(table.rows)
        _ROWS.clear()
        known = _ROWS[id(table)] = (table, rows[:, 0], rows[:, 1])
    return float(np.interp(level, known[1], known[2]))


def heel_of(tank: Tank) -> float:
    """What lies below the level's zero."""
    heel = volumes_of(tank).at(0.0) if tank.table is None else tank.table.heel
    # A drop is none: at the low end of a sloping vessel rounding alone makes one.
    return heel if heel > 1e-6 else 0.0


def full_volume(tank: Tank) -> float:
    """All that the tank holds, as far as its volumes say."""
    return volumes_of(tank).brim if tank.table is None else table_volume(tank, tank.top)
