"""Pure: how a tank moves and which alarms it has, as the member `state` of an inventory (inventory.json)."""

from math import isfinite
from typing import Any

from gateway.errors import DeliveryError
from gateway.payload.alarms import standing_document
from gateway.payload.plain import iso_time, reason_document, time_of_age
from gateway.records import Figure, Inventory, Quality
from gateway.tank_state import Stillness, TankState

__all__ = ["state_document", "stillness_document"]


def state_document(state: TankState, inventory: Inventory) -> dict[str, Any]:
    """Plain values, in SI. Raises DeliveryError when a number is not finite or a time has no zone."""
    told: dict[str, Any] = {
        "motion": state.motion,
        "since": None if state.since is None else iso_time(state.since),
        "activity": state.activity or None,
        "rate": _figure("rate", state.rate, "m3/s", inventory),
        "level_rate": _figure("level rate", state.level_rate, "m/s", inventory),
        "times": [
            {"limit": limit, "level": level_m, "in_s": in_s, "at": iso_time(at)}
            for limit, level_m, in_s, at in state.times
        ],
        "alarms": [standing_document(standing) for standing in state.alarms],
    }
    if state.still is not None:
        told["still"] = stillness_document(state.still)
    return told


def stillness_document(still: Stillness) -> dict[str, Any]:
    """Plain values. Raises DeliveryError for a number that is not finite."""
    if not (isfinite(still.change_m3) and isfinite(still.band_m3)):
        raise DeliveryError(f"a change of {still.change_m3} in {still.band_m3} m3 is no finite number")
    return {
        "change": still.change_m3,
        "band": still.band_m3,
        "within": still.is_within,
        "since": None if still.since is None else iso_time(still.since),
    }


def _figure(name: str, figure: Figure, unit: str, inventory: Inventory) -> dict[str, Any]:
    value = None if figure.quality is Quality.BAD else figure.value
    if value is not None and not isfinite(value):
        raise DeliveryError(f"tank {inventory.tank}: {name} is {value}, not a finite number; it is not delivered")
    told: dict[str, Any] = {
        "value": value,
        "unit": unit,
        "quality": figure.quality.word,
        "reason": reason_document(figure.reasons[0]) if figure.reasons else None,
        "time": time_of_age(inventory.instant, figure.age_s),
    }
    if inventory.simulated:
        told["simulated"] = True
    return told
