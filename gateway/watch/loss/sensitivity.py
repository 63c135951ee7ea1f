"""How small a loss is found, so that nobody takes silence for proof.

By simulation with the noise that was fixed before anything was tuned (`python -m tests.bench slow_loss --long`, of
2026-11-28), for tanks of 6, 18 and 30 m that have rested for ten days, at one false alarm a tank-year. What counts is
by how much the level falls; a narrow tank needs somewhat more, for the liquid at its wall is more of all.
"""

import math

__all__ = ["WITHIN_H", "smallest_loss_m3_s"]

WITHIN_H = (12.0, 24.0, 72.0)
_FALLS = {12.0: (0.000475, 0.0006), 24.0: (0.000222, 0.0004), 72.0: (0.0000745, 0.00008)}
"""In m/h: of the widest tank, and what is added over the diameter in m."""
_NARROWEST_M, _WIDEST_M = 5.0, 36.0


def smallest_loss_m3_s(area_m2: float, within_h: float) -> float | None:
    """The smallest loss in m3/s that is found within 12, 24 or 72 h in 90 % of cases, by the area of the surface in m2.

    None: nothing is known of tanks so narrow (below 5 m) or so wide (above 36 m). Raises KeyError for another time.
    """
    diameter_m = math.sqrt(4.0 / math.pi * area_m2)
    if not _NARROWEST_M <= diameter_m <= _WIDEST_M:
        return None
    widest_m_h, over_diameter = _FALLS[within_h]
    return (widest_m_h + over_diameter / diameter_m) / 3600.0 * area_m2
