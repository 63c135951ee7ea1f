"""How small a loss is found, so that nobody takes silence for proof.

By simulation with the noise that was fixed before anything was tuned (`python -m tests.bench slow_loss --long`), for
tanks of 6, 18 and 30 m that have rested for ten days, at one false alarm a tank-year. What counts is by how much the
level falls, and that is nearly the same for all of them.
"""

__all__ = ["WITHIN_H", "smallest_loss_m3_s"]

WITHIN_H = (12.0, 24.0, 72.0)
_FALLS_M_H = {12.0: 0.00049, 24.0: 0.00024, 72.0: 0.00008}


def smallest_loss_m3_s(area_m2: float, within_h: float) -> float:
    """The smallest loss in m3/s that is found within 12, 24 or 72 h in 90 % of cases, by the area of the surface in m2.

    Raises KeyError for another time.
    """
    return _FALLS_M_H[within_h] / 3600.0 * area_m2
