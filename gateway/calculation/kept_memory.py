"""The memory of all tanks of a site as it is kept over a restart: its plain form, and its times by another clock.

Steady times of one process need not mean anything to the next. What tells how long nobody watched is UTC; where that
cannot be told, since a clock was set back or is impossible, what is doubted stays doubted as if no time had passed, and
last good values, of which nobody knows the age any more, are forgotten.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from gateway.calculation.memory import Memory
from gateway.plain_form import PlainForm, PlainFormError

__all__ = [
    "MEMORY_SCHEMA",
    "Kept",
    "KeptMemoryError",
    "KeptTank",
    "kept_from",
    "pause_s",
    "plain_head",
    "plain_tank",
    "restored",
]

MEMORY_SCHEMA = "tank-gateway/memory/2"
"""Another number for another shape of `Memory`: a test holds the two together."""
_FORM = PlainForm(Memory)
_SET_BACK_S = 300.0
"""A clock that a time server sets right goes back by less than this (common practice)."""


class KeptMemoryError(PlainFormError):
    """What was kept is of another version, or damaged. The text says which."""

    def __init__(self, text: str) -> None:
        Exception.__init__(self, text)


class KeptTank(NamedTuple):
    """What is remembered of one tank."""

    plan: str
    """`PlanIds.memory` of the plan that it belongs to."""
    memory: Memory


class Kept(NamedTuple):
    """What is remembered of a site's tanks, and what both clocks said then, in nanoseconds."""

    utc_ns: int
    steady_ns: int
    tanks: Mapping[str, KeptTank]
    damaged: Mapping[str, str] = MappingProxyType({})
    """Of the tanks whose memory could not be read back: why not."""


def plain_head(kept: Kept) -> dict[str, Any]:
    """Plain values of all but the tanks."""
    return {"schema": MEMORY_SCHEMA, "utc_ns": kept.utc_ns, "steady_ns": kept.steady_ns}


def plain_tank(tank: KeptTank) -> dict[str, Any]:
    """Plain values of one: a member of `tanks`, by its tag, beside those of `plain_head`."""
    return {"plan": tank.plan, "memory": _FORM.to_plain(tank.memory)}


def kept_from(plain: Any) -> Kept:
    """From the plain values of head and tanks. Raises KeptMemoryError where they are none.

    A tank that alone cannot be read is in `damaged`.
    """
    if not isinstance(plain, dict) or "schema" not in plain:
        raise KeptMemoryError("it is no memory of a gateway")
    if plain["schema"] != MEMORY_SCHEMA:
        raise KeptMemoryError(f"it is of version '{plain['schema']}', and this gateway reads '{MEMORY_SCHEMA}'")
    utc_ns, steady_ns, given = plain.get("utc_ns"), plain.get("steady_ns"), plain.get("tanks")
    if type(utc_ns) is not int or type(steady_ns) is not int or not isinstance(given, dict):
        raise KeptMemoryError("it is damaged: times or tanks are missing")
    tanks: dict[str, KeptTank] = {}
    damaged: dict[str, str] = {}
    for tag, tank in given.items():
        try:
            tanks[tag] = _tank_from(tank)
        except PlainFormError as error:
            damaged[tag] = str(error)
    return Kept(utc_ns, steady_ns, tanks, damaged)


def _tank_from(plain: Any) -> KeptTank:
    if not isinstance(plain, dict) or not isinstance(plain.get("plan"), str):
        raise KeptMemoryError("its plan is missing")
    return KeptTank(plain["plan"], _FORM.from_plain(plain.get("memory")))


def pause_s(kept: Kept, utc_ns: int, steady_ns: int, *, is_told: bool = True) -> float | None:
    """For how long nobody watched; None where nobody can tell. `is_told`: whether both times by the clock can be.

    Never less than the steady clock has gone on: by just as much where the machine ran on, and by less where it was
    started anew meanwhile, since that clock then began again while nobody watched.
    """
    passed_s = (utc_ns - kept.utc_ns) / 1e9
    if not is_told or passed_s < -_SET_BACK_S:
        return None
    return max(0.0, passed_s, (steady_ns - kept.steady_ns) / 1e9)


def restored(kept: Kept, tag: str, steady_ns: int, passed_s: float | None) -> Memory:
    """The memory of one tank by the clock of this process, which says `steady_ns`. `passed_s`: from `pause_s`."""
    memory = kept.tanks[tag].memory
    if passed_s is None:
        memory = memory._replace(figures=None, last_good=MappingProxyType({}))
    return _FORM.moved(memory, (steady_ns - kept.steady_ns) / 1e9 - (passed_s or 0.0))
