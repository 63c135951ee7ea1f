"""API MPMS 11.1 (2004), from formulas of section a: constants by sub-group, the shift to IPTS-68, CTL, CPL."""

import math
from functools import lru_cache
from typing import NamedTuple

from scipy.optimize import brentq

from tests.site_fuzz.oracle.corrected import PSI, Corrected, OutsideError, within
from tests.site_fuzz.products import Petroleum2004

__all__ = ["Fixed2004", "fix_2004", "ipts68"]

_SHIFT = (-0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296)
_D60 = 0.01374979547
_BASE_F68 = 60.0068749
_60F_C = 28.0 / 1.8


class Row(NamedTuple):
    """Valid from `low` up to, but without, `high` kg/m3 at 60 degF; the last one with it."""

    low: float
    high: float
    k0: float
    k1: float
    k2: float


_ROWS = {
    "crude": (Row(610.6, 1163.5, 341.0957, 0.0, 0.0),),
    "refined": (
        Row(610.6, 770.3520, 192.4571, 0.2438, 0.0),
        Row(770.3520, 787.5195, 1489.0670, 0.0, -0.00186840),
        Row(787.5195, 838.3127, 330.3010, 0.0, 0.0),
        Row(838.3127, 1163.5, 103.8720, 0.2701, 0.0),
    ),
    "lubricating": (Row(800.9, 1163.5, 0.0, 0.34878, 0.0),),
    "special": (Row(610.6, 1163.5, 0.0, 0.0, 0.0),),
}
_NEAR_A_BORDER = 1e-3
"""kg/m3: here two sub-groups may both claim a density that is not given at 60 degF."""


def ipts68(celsius: float) -> float:
    """IPTS-68 from ITS-90."""
    tau = celsius / 630.0
    return celsius - sum(a * tau**power for power, a in enumerate(_SHIFT, start=1))


def _f68(celsius: float) -> float:
    return 1.8 * ipts68(celsius) + 32.0


class Liquid(NamedTuple):
    """A density at 60 degF with what follows from it alone."""

    r60: float
    alpha: float
    shifted: float

    def ctl60(self, celsius: float) -> float:
        dt = _f68(celsius) - _BASE_F68
        return math.exp(-self.alpha * dt * (1.0 + 0.8 * self.alpha * (dt + _D60)))

    def cpl(self, celsius: float, gauge_pa: float) -> float:
        t, square = _f68(celsius), self.shifted**2
        fp = math.exp(-1.9947 + 0.00013427 * t + (793920.0 + 2326.0 * t) / square)
        return 1.0 / (1.0 - 1e-5 * fp * gauge_pa / PSI)


def _liquid(r60: float, row: Row, alpha: float | None) -> Liquid:
    if alpha is not None:
        half = 0.5 * alpha * _D60
        return Liquid(r60, alpha, r60 * math.exp(half * (1.0 + 0.8 * half)))
    k0, k1, k2 = row.k0, row.k1, row.k2
    a = 0.5 * _D60 * (k0 / r60**2 + k1 / r60 + k2)
    b = (2.0 * k0 + k1 * r60) / (k0 + k1 * r60 + k2 * r60**2)
    shifted = r60 * (1.0 + (math.exp(a * (1.0 + 0.8 * a)) - 1.0) / (1.0 + a * (1.0 + 1.6 * a) * b))
    return Liquid(r60, k0 / shifted**2 + k1 / shifted + k2, shifted)


class Fixed2004(NamedTuple):
    reference_density: float
    reference_c: float
    liquids: tuple[Liquid, ...]
    """One; two close to a border, the first that of the lower sub-group."""

    def at(self, celsius: float, gauge_pa: float) -> Corrected:
        within(celsius, -50.0, 150.0, "temperature")
        within(gauge_pa, 0.0, 1500.0 * PSI, "pressure")
        ctls = [each.ctl60(celsius) / each.ctl60(self.reference_c) for each in self.liquids]
        cpl = self.liquids[0].cpl(celsius, gauge_pa)
        slack = max(ctls) / min(ctls) - 1.0
        return Corrected(ctls[0], cpl, self.reference_density * ctls[0] * cpl, slack)


@lru_cache(maxsize=4096)
def fix_2004(method: Petroleum2004, density: float, at_c: float | None, gauge_pa: float = 0.0) -> Fixed2004:
    """From a density at the reference temperature, or (where `at_c` is given) at that temperature and pressure."""
    rows, alpha, reference_c = _ROWS[method.group], method.alpha_60f_per_f, method.reference_c
    if alpha is not None:
        within(alpha, 230e-6, 930e-6, "coefficient")
    state_c = reference_c if at_c is None else at_c
    within(state_c, -50.0, 150.0, "temperature")
    within(gauge_pa, 0.0, 1500.0 * PSI, "pressure")
    if at_c is None and abs(reference_c - _60F_C) < 1e-9:
        within(density, rows[0].low, rows[-1].high, "density at 60 degF")
        row = next((each for each in rows if density < each.high), rows[-1])
        return Fixed2004(density, reference_c, (_liquid(density, row, alpha),))

    def there(r60: float, row: Row) -> float:
        liquid = _liquid(r60, row, alpha)
        return r60 * liquid.ctl60(state_c) * (liquid.cpl(state_c, gauge_pa) if gauge_pa else 1.0)

    within(density, there(rows[0].low, rows[0]) - 1e-7, there(rows[-1].high, rows[-1]) + 1e-7, "density")
    found: list[Liquid] = []
    for row in rows:
        # A hair beyond both borders: there two answers are open, and the first is that of the lower sub-group.
        low, high = row.low - _NEAR_A_BORDER, row.high + _NEAR_A_BORDER
        miss_low, miss_high = there(low, row) - density, there(high, row) - density
        if miss_low <= 0.0 <= miss_high:
            r60 = float(brentq(lambda r, row=row: there(r, row) - density, low, high, xtol=1e-12, rtol=1e-15))
            found.append(_liquid(r60, row, alpha))
    if not found:
        raise OutsideError(f"density {density!r} at {state_c} degC belongs to no sub-group")
    reference = density if at_c is None else found[0].r60 * found[0].ctl60(reference_c)
    return Fixed2004(reference, reference_c, tuple(found))
