"""Pure: what each figure, state and event is called in the register map: the key of its field.

`tank-gateway delivery map` tells the address of each.
"""

from collections.abc import Mapping

from gateway.delivery.registers.layout import DETAIL_FIGURES, LIMITS, MAIN_FIGURES, RATES, TANK_ALARMS

__all__ = ["NAMES"]

NAMES: Mapping[str, str] = {
    **{name: name for name in (*MAIN_FIGURES, *DETAIL_FIGURES, *RATES)},
    "quality": "main.quality",
    "time": "sheet_time",
    "sequence": "main.sheet",
    "valid_until": "main.validity",
    "simulated": "origin",
    "limit": "limit_state",
    "roof": "roof",
    **{f"limits.{limit}": f"limit.{limit}" for limit in LIMITS},
    "motion": "motion",
    "times": "time.*",
    "alarms": "alarms",
    **{f"alarms.{kind}": f"alarm.{kind}" for kind in TANK_ALARMS},
    **{f"transfer.{part}": f"transfer.1.{part}" for part in ("number", "kind", "phase")},
}
