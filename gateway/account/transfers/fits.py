"""Whether what is planned fits: against the room of the tank that takes it in, and what can be pumped out of the other.

Room and pumpable are observed volumes (GOV), rounded down: nobody may count on the part that was rounded.
"""

from collections.abc import Mapping
from math import ceil, floor

from gateway.account.gauging import Gauging, gauging_of
from gateway.account.transfer import Direction, Planned, Transfer, TransferKind
from gateway.tank_record import TankRecord

__all__ = ["fit_lines", "observed_m3"]

_JUDGED = (TransferKind.RECEIPT, TransferKind.DISPATCH, TransferKind.TANK_TO_TANK)


def fit_lines(transfer: Transfer, sheets: Mapping[str, TankRecord]) -> list[str]:
    """One line of each tank, by its opening; by its newest sheet where it has none yet."""
    if transfer.kind not in _JUDGED:
        return []
    lines = []
    for side in transfer.sides:
        gauging = side.opening or gauging_of(sheets[side.tank])
        name, words = "room", "room to the maximum working level"
        if side.direction is Direction.OUT_OF:
            name, words = "pumpable", "pumpable above the minimum"
        there_m3 = gauging.value(name)
        if there_m3 is None:
            lines.append(f"{side.tank}: {words} is not known: whether it fits cannot be told")
            continue
        wanted_m3 = observed_m3(transfer.planned, gauging)
        told = f"{side.tank}: {words} {_down(there_m3)}"
        if wanted_m3 is None:
            lines.append(told)
        elif wanted_m3 <= there_m3:
            lines.append(f"{told}: the planned amount fits, with {_down(there_m3 - wanted_m3)} to spare")
        else:
            lines.append(f"{told}: the planned amount does not fit, it is {_up(wanted_m3 - there_m3)} too much")
    return lines


def observed_m3(planned: Planned, gauging: Gauging) -> float | None:
    """The planned amount as gross observed volume, at what the tank holds now; None where that cannot be told.

    GSV = GOV * CTL * CPL; mass = GOV * density at tank temperature (API MPMS 12.1.1). What comes in may be warmer.
    """
    amount, measure = planned.amount, planned.measure
    if amount is None or measure in ("gov", "tov"):
        return amount
    ctl, density = gauging.value("ctl"), gauging.value("observed_density")
    if measure == "gsv" and ctl is not None:
        return amount / (ctl * (gauging.value("cpl") or 1.0))
    if measure == "mass" and density is not None:
        return amount / density
    gov, same = gauging.value("gov"), gauging.value(measure)
    return None if gov is None or same is None or same <= 0.0 or gov <= 0.0 else amount * gov / same


def _down(value_m3: float) -> str:
    return f"{floor(value_m3):,} m3" if value_m3 >= 1000.0 else f"{floor(value_m3 * 10.0) / 10.0:,.1f} m3"


def _up(value_m3: float) -> str:
    return f"{ceil(value_m3):,} m3" if value_m3 >= 1000.0 else f"{ceil(value_m3 * 10.0) / 10.0:,.1f} m3"
