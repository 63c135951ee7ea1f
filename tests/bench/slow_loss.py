"""How small a loss of a tank at rest is found, how soon, and how often one is found where nothing is lost.

No speed: simulated days (`tests/support/quiet_tanks.py`) with the noise that was fixed before anything was tuned, a
sheet each five minutes. A loss begins after ten days at rest, or after the first day of a rest by a tank whose ambient
has been learned before; what is told is the smallest rate that is found in time in 90 % of the trials. Tanks of which a
loss is told before there is one are left out of these.
"""

import math
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import pairwise
from typing import NamedTuple

from gateway.watch.loss.memory import LossMemory, Score
from tests.support.loss_trials import first_told_s, played
from tests.support.quiet_tanks import DAY_S, TANKS, QuietDays, Vessel, quiet_days

__all__ = ["WITHIN_H", "Trial", "false_alarms", "measure", "smallest", "trial"]

WITHIN_H = (12.0, 24.0, 72.0)
RATES_M_H = tuple(0.00005 * 1.3**step for step in range(11))
"""Of the level: 0.05 to 0.69 mm/h."""
SHARE = 0.9
STEP_S = 300.0
QUIET_DAYS = 10.0
LONGEST_DAYS = QUIET_DAYS + WITHIN_H[-1] / 24.0
_MONTH = 365.25 / 12.0


class Trial(NamedTuple):
    """After how many hours each of `RATES_M_H` was found; infinity: not within 72 h."""

    rested_long: tuple[float, ...]
    rested_a_day: tuple[float, ...]


def trial(vessel: Vessel, with_air: bool, seed: int) -> Trial | None:
    """Every rate on the same noise; None: a loss was told before there was one."""
    quiet = _days(vessel, seed, 0.0)
    sheets = list(played(vessel, _part(quiet, 0.0, QUIET_DAYS), with_air=with_air))
    if sheets[-1].reason is not None:
        return None
    rested = sheets[-1].memory
    learned = sheets[-round(DAY_S / STEP_S) - 1].memory.learned._replace(rest=None, score=Score(), found=None)
    begun = LossMemory(learned=learned)
    long, short = [], []
    for rate_m_h in RATES_M_H:
        lossy = _days(vessel, seed, rate_m_h * vessel.area_m2)
        long.append(_found_after_h(vessel, with_air, _part(lossy, QUIET_DAYS, LONGEST_DAYS), 0.0, rested))
        short.append(_found_after_h(vessel, with_air, _part(lossy, QUIET_DAYS - 1.0, LONGEST_DAYS), DAY_S, begun))
    return Trial(tuple(long), tuple(short))


def _days(vessel: Vessel, seed: int, loss_m3_h: float) -> QuietDays:
    """As long whatever is looked at, since the noise of another length is another."""
    return quiet_days(vessel, LONGEST_DAYS, seed, step_s=STEP_S, loss_m3_h=loss_m3_h, lost_after_s=QUIET_DAYS * DAY_S)


def _part(days: QuietDays, from_days: float, to_days: float) -> QuietDays:
    begin, end = round(from_days * DAY_S / STEP_S), round(to_days * DAY_S / STEP_S)
    return QuietDays(*[series[begin:end] for series in days])


def _found_after_h(vessel: Vessel, with_air: bool, days: QuietDays, lost_after_s: float, memory: LossMemory) -> float:
    at_s = first_told_s(played(vessel, days, with_air=with_air, memory=memory), lost_after_s)
    return math.inf if at_s is None else (at_s - lost_after_s) / 3600.0


def smallest(found: Sequence[Sequence[float]], within_h: float) -> float:
    """The smallest rate in m/h of level found in time in 90 % of the trials, between two tried by their logarithms."""
    shares = [sum(each[at] <= within_h for each in found) / len(found) for at in range(len(RATES_M_H))]
    for (low, high), (share, reached) in zip(pairwise(RATES_M_H), pairwise(shares), strict=True):
        if share < SHARE <= reached:
            return math.exp(math.log(low) + math.log(high / low) * (SHARE - share) / (reached - share))
    return math.inf if shares[-1] < SHARE else RATES_M_H[0]


def false_alarms(vessel: Vessel, with_air: bool, days: float, seed: int) -> int:
    """How often a loss begins to be told of a tank at rest that loses nothing."""
    sheets = played(vessel, quiet_days(vessel, days, seed, step_s=STEP_S), with_air=with_air)
    told = [each.reason is not None for each in sheets]
    return sum(after and not before for before, after in pairwise(told))


def measure(*, long: bool) -> dict[str, object]:
    trials, tanks, days = (120, 80, 40.0) if long else (20, 20, 30.0)
    rows = []
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for vessel in TANKS:
            for with_air in (True, False):
                alarms = pool.map(partial(false_alarms, vessel, with_air, days), range(10_000, 10_000 + tanks))
                found = pool.map(partial(trial, vessel, with_air), range(trials))
                rows.append(_row(vessel, with_air, sum(alarms), tanks * days, [each for each in found if each]))
    return {
        "title": f"Slow loss: smallest found in 90 % of {trials} trials, in m3/h; false alarms of {tanks} tanks over "
        f"{days:.0f} days each, at one a tank-year",
        "columns": [
            "",
            *[f"{within:.0f} h" for within in WITHIN_H],
            *[f"1 day at rest: {within:.0f} h" for within in WITHIN_H],
            "false alarms a tank-month",
        ],
        "table": rows,
        "tank_days": len(rows) * tanks * days,
    }


def _row(vessel: Vessel, with_air: bool, alarms: int, tank_days: float, found: Iterable[Trial]) -> list[str]:
    long, short = zip(*found, strict=True)
    rates = [smallest(trials, within) * vessel.area_m2 for trials in (long, short) for within in WITHIN_H]
    name = f"{vessel.diameter_m:.0f} m, air {'measured' if with_air else 'not measured'}"
    return [name, *[f"{rate:.3f}" for rate in rates], f"{alarms * _MONTH / tank_days:.3f} ({alarms})"]
