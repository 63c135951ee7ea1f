"""Pure: hand dips against the gauge, judged as practice has it.

Three dips within 3 mm of one another are one valid measurement (API MPMS 3.1A, from memory); a gauge that agrees with
their mean within 4 mm is fit for fine work, within 25 mm for inventory (API MPMS 3.1B and ISO 4266-1, from memory;
common practice). Local codes and the owner's procedure go first.
"""

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from gateway.records import Quality

__all__ = ["DIPS_NEEDED", "LARGEST_SPREAD_M", "TOLERANCES_M", "DipVerdict", "GaugeReading", "Verdict", "judge_dips"]

DIPS_NEEDED = 3
LARGEST_SPREAD_M = 0.003
TOLERANCES_M = {"fine": 0.004, "inventory": 0.025}
_SLACK = 1e-9


class GaugeReading(NamedTuple):
    """What the gauge said at the moment of a dip."""

    level: float | None
    """Above the datum, in m; None when Bad."""
    quality: Quality
    reason: str


class Verdict(StrEnum):
    PASSED = "passed"
    FAILED = "failed"
    INVALID = "invalid"
    """The dips or the gauge allow no comparison."""


class DipVerdict(NamedTuple):
    """Lengths in m; those that cannot be told are None."""

    verdict: Verdict
    why: str
    mean_dip: float
    spread: float
    mean_gauge: float | None
    difference: float | None
    """Gauge less dip."""
    proposed_offset_change: float | None
    """What would bring the gauge to the dips: a proposal for whoever may approve it, never applied."""


def judge_dips(dips: Sequence[float], gauge: Sequence[GaugeReading], tolerance: float) -> DipVerdict:
    """`dips`: innage by hand, in m. `gauge`: read at the same time, one for each dip or one for all.

    Raises ValueError without a dip or a reading.
    """
    if not dips or not gauge:
        raise ValueError("nothing to judge: no dip, or no reading of the gauge")
    mean_dip = math.fsum(dips) / len(dips)
    spread = max(dips) - min(dips)
    levels = [reading.level for reading in gauge if reading.level is not None]
    mean_gauge = math.fsum(levels) / len(levels) if len(levels) == len(gauge) else None
    difference = None if mean_gauge is None else mean_gauge - mean_dip
    invalid = _invalid(dips, spread, gauge, levels)
    if invalid or difference is None:
        return DipVerdict(Verdict.INVALID, invalid, mean_dip, spread, mean_gauge, difference, None)
    millimetres = f"the gauge reads {difference * 1000:+z.1f} mm against the dips"
    if abs(difference) <= tolerance + _SLACK:
        why = f"{millimetres}, within {tolerance * 1000:g} mm"
        return DipVerdict(Verdict.PASSED, why, mean_dip, spread, mean_gauge, difference, None)
    why = f"{millimetres}, more than {tolerance * 1000:g} mm"
    return DipVerdict(Verdict.FAILED, why, mean_dip, spread, mean_gauge, difference, -difference)


def _invalid(dips: Sequence[float], spread: float, gauge: Sequence[GaugeReading], levels: Sequence[float]) -> str:
    """Why there is nothing to compare; empty when there is."""
    if len(dips) < DIPS_NEEDED:
        return f"{len(dips)} of {DIPS_NEEDED} dips"
    if spread > LARGEST_SPREAD_M + _SLACK:
        return f"the dips differ by {spread * 1000:.1f} mm, more than {LARGEST_SPREAD_M * 1000:g} mm: dip again"
    for reading in gauge:
        if reading.quality is not Quality.GOOD or reading.level is None:
            return f"the gauge was {reading.quality.word}: {reading.reason}"
    if max(levels) - min(levels) > LARGEST_SPREAD_M + _SLACK:
        moved = (max(levels) - min(levels)) * 1000
        return f"the gauge moved by {moved:.1f} mm between the dips: dip a tank at rest"
    return ""
