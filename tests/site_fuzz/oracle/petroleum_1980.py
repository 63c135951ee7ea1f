"""The tables of 1980 (ASTM D1250-80, API 2540), from the 1980 forms of section a.

The density that a table is entered with goes by the table's step: 0.1 degAPI (6), 0.0005 (24), 0.5 kg/m3 (54, 60);
alpha is rounded to 1e-7 in the table's own degrees (the printed procedure). Limits of density and temperature: the
titles of the tables, from memory. CPL: API MPMS 11.2.1 and 11.2.1M (1984), from memory.
"""

import math
from functools import lru_cache
from typing import NamedTuple

from scipy.optimize import brentq

from tests.site_fuzz.oracle.corrected import PSI, Corrected, OutsideError, nearest, within
from tests.site_fuzz.products import Petroleum1980

__all__ = ["Fixed1980", "fix_1980"]

_WATER = 999.012
_60F_C = 28.0 / 1.8
# kg/m3 from, to; (k0, k1, k2) by degF at 60 degF and by degC at 15 degC.
Row = tuple[float, float, tuple[float, float, float], tuple[float, float, float]]
_ROWS: dict[str, tuple[Row, ...]] = {
    "crude": ((610.5, 1075.0, (341.0957, 0.0, 0.0), (613.9723, 0.0, 0.0)),),
    "refined": (
        (653.0, 770.25, (192.4571, 0.2438, 0.0), (346.4228, 0.4388, 0.0)),
        (770.25, 787.75, (1489.0670, 0.0, -0.00186840), (2680.3206, 0.0, -0.00336312)),
        (787.75, 838.75, (330.3010, 0.0, 0.0), (594.5418, 0.0, 0.0)),
        (838.75, 1075.0, (103.8720, 0.2701, 0.0), (186.9696, 0.4862, 0.0)),
    ),
    "lubricating": ((800.0, 1164.0, (0.0, 0.34878, 0.0), (0.0, 0.6278, 0.0)),),
    "special": ((500.0, 1164.0, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),),
}


class Fixed1980(NamedTuple):
    method: Petroleum1980
    reference_density: float
    base_density: float
    """At 15 degC, or at 60 degF."""
    alpha: float
    hottest_c: float

    def factor(self, celsius: float) -> float:
        x = self.alpha * (celsius - _base_c(self.method))
        return math.exp(-x * (1.0 + 0.8 * x))

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        within(celsius, -40.0 if self.method.cold else -18.0, self.hottest_c, "temperature")
        ctl = self.factor(celsius) / self.factor(self.method.reference_c)
        cpl = 1.0 if gauge_pa == 0.0 else self._cpl(celsius, gauge_pa)
        return Corrected(ctl, cpl, self.reference_density * ctl * cpl)

    def _cpl(self, celsius: float, gauge_pa: float) -> float:
        within(self.base_density, 638.0, 1074.0, "density for CPL")
        within(celsius, -30.0, 90.0, "temperature for CPL")
        within(gauge_pa, 0.0, 10.3e6, "pressure")
        square = self.base_density**2
        if self.method.table in (6, 24):
            t = 1.8 * celsius + 32.0
            return 1.0 / (
                1.0 - 1e-5 * math.exp(-1.9947 + 0.00013427 * t + (793920.0 + 2326.0 * t) / square) * gauge_pa / PSI
            )
        f = math.exp(-1.62080 + 0.00021592 * celsius + 0.87096e6 / square + 0.0042092e6 * celsius / square)
        return 1.0 / (1.0 - 1e-6 * f * gauge_pa / 1000.0)


def _base_c(method: Petroleum1980) -> float:
    return _60F_C if method.table in (6, 24) else 15.0


def _alpha(method: Petroleum1980, row: Row, density: float) -> float:
    """1/degC, unrounded."""
    if method.alpha_per_c is not None:
        return method.alpha_per_c
    by_f = method.table in (6, 24)
    k0, k1, k2 = row[2] if by_f else row[3]
    alpha = k0 / density**2 + k1 / density + k2
    return 1.8 * alpha if by_f else alpha


def _row(method: Petroleum1980, density: float) -> Row:
    rows = _ROWS[method.group]
    return next((row for row in rows if density < row[1]), rows[-1])


def _entered(method: Petroleum1980, density: float) -> float:
    match method.table:
        case 6:
            return 141.5 * _WATER / (nearest(141.5 * _WATER / density - 131.5, 0.1) + 131.5)
        case 24:
            return nearest(density / _WATER, 0.0005) * _WATER
        case _:
            return nearest(density, 0.5)


def _base_density(method: Petroleum1980, density: float, celsius: float) -> float:
    """The density at the base that is `density` at a temperature; between two sub-groups their border."""
    rows = _ROWS[method.group]
    high = 0.0
    for row in rows:

        def there(base: float, row: Row = row) -> float:
            x = _alpha(method, row, base) * (celsius - _base_c(method))
            return base * math.exp(-x * (1.0 + 0.8 * x))

        low, high = there(row[0]) - density, there(row[1]) - density
        if low > 0.0:
            if row is rows[0] and low > 1e-7:
                raise OutsideError(f"density {density!r} is below those of the table")
            return row[0]
        if high > 0.0:
            return float(brentq(lambda base, there=there: there(base) - density, *row[:2], xtol=1e-12, rtol=1e-15))
    if high < -1e-7:
        raise OutsideError(f"density {density!r} is above those of the table")
    return rows[-1][1]


@lru_cache(maxsize=4096)
def fix_1980(method: Petroleum1980, density: float, at_c: float | None, gauge_pa: float = 0.0) -> Fixed1980:
    """From a density at the reference temperature, or at `at_c`."""
    if at_c is not None:
        within(gauge_pa, -50e3, 50e3, "pressure")
        within(at_c, -40.0 if method.cold else -18.0, 150.0, "temperature")
        base = _base_density(method, density, at_c)
        if method.table == 60:
            x = _alpha(method, _row(method, base), base) * 5.0
            base *= math.exp(-x * (1.0 + 0.8 * x))
        fixed = fix_1980(method, base, None)
        within(at_c, -40.0 if method.cold else -18.0, fixed.hottest_c, "temperature")
        return fixed
    rows = _ROWS[method.group]
    if method.table == 60:
        base = entered = _base_density(method, nearest(density, 0.5), 20.0)
    else:
        within(density, rows[0][0], rows[-1][1], "density")
        base, entered = density, _entered(method, density)
    alpha = _alpha(method, _row(method, entered), entered)
    if method.alpha_per_c is None:
        alpha = 1.8 * nearest(alpha / 1.8, 1e-7) if method.table in (6, 24) else nearest(alpha, 1e-7)
    return Fixed1980(method, density, base, alpha, _hottest_c(method, entered, alpha))


def _hottest_c(method: Petroleum1980, density: float, alpha: float) -> float:
    """95 (B 90), 125 and 150 degC by density, or by coefficient; 200, 250 and 300 degF in tables 6 and 24."""
    if method.alpha_per_c is not None:
        band = (alpha < 954.25e-6) + (alpha < 918.25e-6)
    elif method.group == "lubricating":
        band = 2
    else:
        band = (density >= 778.75) + (density >= 824.25)
    if method.table in (6, 24):
        return ((200.0, 250.0, 300.0)[band] - 32.0) / 1.8
    return (90.0 if method.group == "refined" else 95.0 if method.group != "lubricating" else 150.0, 125.0, 150.0)[band]
