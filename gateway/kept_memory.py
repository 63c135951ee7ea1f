"""Pure: the memory of all tanks of a site as it is kept over a restart: its plain form, its times by another clock.

Steady times of one process need not mean anything to the next. What tells how long nobody watched is UTC; where that
cannot be told, since a clock was set back or is impossible, what is doubted stays doubted as if no time had passed, and
last good values, of which nobody knows the age any more, are forgotten.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, NamedTuple, TypeVar

from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.history import GATEWAY
from gateway.plain_form import PlainForm, PlainFormError
from gateway.watch.house import NO_HOUSE, HouseMemory
from gateway.watch.memory import NO_WATCH, WatchMemory, over_a_pause

__all__ = [
    "MEMORY_SCHEMA",
    "WATCH_SCHEMA",
    "Kept",
    "KeptMemoryError",
    "KeptTank",
    "KeptWatch",
    "alarms_in",
    "kept_from",
    "pause_s",
    "plain_head",
    "plain_tank",
    "plain_watch",
    "restored",
    "restored_house",
    "restored_watch",
    "with_watch",
]

T = TypeVar("T")

MEMORY_SCHEMA = "tank-gateway/memory/2"
"""Another number for another shape of `Memory`: a test holds the two together."""
_FORM = PlainForm(Memory)
WATCH_SCHEMA = "tank-gateway/watch/1"
"""The same of `WatchMemory` and `HouseMemory`: what is of another version is begun anew."""
_WATCH_FORM = PlainForm(WatchMemory)
_HOUSE_FORM = PlainForm(HouseMemory)
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
    watch: WatchMemory = NO_WATCH
    moves: str = ""
    """`PlanIds.moves` of that plan; empty: of a gateway that did not keep it yet."""


class Kept(NamedTuple):
    """What is remembered of a site's tanks, and what both clocks said then, in nanoseconds."""

    utc_ns: int
    steady_ns: int
    tanks: Mapping[str, KeptTank]
    damaged: Mapping[str, str] = MappingProxyType({})
    """Of the tanks whose memory could not be read back: why not."""
    house: HouseMemory = NO_HOUSE
    """Of the gateway itself."""
    unwatched: Mapping[str, str] = MappingProxyType({})
    """Of those whose watch alone could not be read back, the gateway's own among them: why not."""


class KeptWatch(NamedTuple):
    """What the watch of one tank remembers, kept with the events that it has come to."""

    tank: str
    """Empty: of the gateway itself."""
    utc_ns: int
    steady_ns: int
    memory: WatchMemory | HouseMemory


def plain_watch(kept: KeptWatch) -> dict[str, Any]:
    """Plain values: `with_watch` reads them."""
    return {"utc_ns": kept.utc_ns, "steady_ns": kept.steady_ns, "watch": _written(kept.memory)}


def with_watch(kept: Kept | None, tag: str, plain: Any) -> Kept | None:
    """What was kept, with the memory of a tank's watch that was kept after it.

    Its times are brought to the clocks of the former. Raises KeptMemoryError where it is none.
    """
    utc_ns, steady_ns = (plain.get(name) if isinstance(plain, dict) else None for name in ("utc_ns", "steady_ns"))
    if type(utc_ns) is not int or type(steady_ns) is not int:
        raise KeptMemoryError("it is damaged: its times are missing")
    if kept is None:
        kept = Kept(utc_ns, steady_ns, {})
    steadily_ns = steady_ns - kept.steady_ns
    by_s = ((utc_ns - kept.utc_ns) - steadily_ns) / 1e9
    if steadily_ns >= 0:
        # The clock was set back in between: what has passed has passed.
        by_s = max(by_s, 0.0)
    if tag == GATEWAY:
        return kept._replace(house=_HOUSE_FORM.moved(_read(_HOUSE_FORM, plain.get("watch"), NO_HOUSE), by_s))
    watch = _WATCH_FORM.moved(_read(_WATCH_FORM, plain.get("watch"), NO_WATCH), by_s)
    tank = kept.tanks.get(tag) or KeptTank("", EMPTY_MEMORY)
    return kept._replace(tanks={**kept.tanks, tag: tank._replace(watch=watch)})


def alarms_in(kept: Kept) -> tuple[tuple[str, str], ...]:
    """Tank and name of each alarm that is remembered: what the process before may have told of somewhere."""
    watches = {tag: tank.watch.alarms for tag, tank in kept.tanks.items()} | {GATEWAY: kept.house.alarms}
    return tuple([(tag, name) for tag, alarms in watches.items() for name in alarms])


def plain_head(kept: Kept) -> dict[str, Any]:
    """Plain values of all but the tanks."""
    house = _written(kept.house)
    return {"schema": MEMORY_SCHEMA, "utc_ns": kept.utc_ns, "steady_ns": kept.steady_ns, "gateway": house}


def plain_tank(tank: KeptTank) -> dict[str, Any]:
    """Plain values of one: a member of `tanks`, by its tag, beside those of `plain_head`."""
    return {
        "plan": tank.plan,
        "moves": tank.moves,
        "memory": _FORM.to_plain(tank.memory),
        "watch": _written(tank.watch),
    }


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
    unwatched: dict[str, str] = {}
    for tag, tank in tanks.items():
        try:
            tanks[tag] = tank._replace(watch=_read(_WATCH_FORM, given[tag].get("watch"), NO_WATCH))
        except PlainFormError as error:
            unwatched[tag] = str(error)
    house = NO_HOUSE
    try:
        house = _read(_HOUSE_FORM, plain.get("gateway"), NO_HOUSE)
    except PlainFormError as error:
        unwatched[GATEWAY] = str(error)
    return Kept(utc_ns, steady_ns, tanks, damaged, house, unwatched)


def _tank_from(plain: Any) -> KeptTank:
    if not isinstance(plain, dict) or not isinstance(plain.get("plan"), str):
        raise KeptMemoryError("its plan is missing")
    moves = plain.get("moves", "")
    if not isinstance(moves, str):
        raise KeptMemoryError("which plan its rates rest on is no text")
    return KeptTank(plain["plan"], _FORM.from_plain(plain.get("memory")), moves=moves)


def _written(memory: WatchMemory | HouseMemory) -> dict[str, Any]:
    form: PlainForm[Any] = _WATCH_FORM if isinstance(memory, WatchMemory) else _HOUSE_FORM
    return {"schema": WATCH_SCHEMA, **form.to_plain(memory)}


def _read(form: PlainForm[T], plain: Any, nothing: T) -> T:
    """`nothing` where none was kept: by a gateway that did not watch yet. Raises PlainFormError."""
    if plain is None:
        return nothing
    if not isinstance(plain, dict) or plain.get("schema") != WATCH_SCHEMA:
        raise KeptMemoryError(f"it is not of version '{WATCH_SCHEMA}'")
    return form.from_plain({name: value for name, value in plain.items() if name != "schema"})


def pause_s(kept: Kept, utc_ns: int, steady_ns: int, *, is_told: bool = True) -> float | None:
    """For how long nobody watched; None where nobody can tell. `is_told`: whether both times by the clock can be.

    Never less than the steady clock has gone on: by just as much where the machine ran on, and by less where it was
    started anew meanwhile, since that clock then began again while nobody watched.
    """
    passed_s = (utc_ns - kept.utc_ns) / 1e9
    if not is_told or passed_s < -_SET_BACK_S:
        return None
    return max(0.0, passed_s, (steady_ns - kept.steady_ns) / 1e9)


def restored_watch(kept: Kept, tag: str, steady_ns: int, passed_s: float | None) -> WatchMemory:
    """What the watch of one tank remembers, likewise."""
    by_s = (steady_ns - kept.steady_ns) / 1e9 - (passed_s or 0.0)
    return over_a_pause(_WATCH_FORM.moved(kept.tanks[tag].watch, by_s), passed_s)


def restored_house(kept: Kept, steady_ns: int, passed_s: float | None) -> HouseMemory:
    """What the watch of the gateway itself remembers, likewise."""
    return _HOUSE_FORM.moved(kept.house, (steady_ns - kept.steady_ns) / 1e9 - (passed_s or 0.0))


def restored(kept: Kept, tag: str, steady_ns: int, passed_s: float | None) -> Memory:
    """The memory of one tank by the clock of this process, which says `steady_ns`. `passed_s`: from `pause_s`."""
    memory = kept.tanks[tag].memory
    if passed_s is None:
        memory = memory._replace(figures=None, last_good=MappingProxyType({}))
    return _FORM.moved(memory, (steady_ns - kept.steady_ns) / 1e9 - (passed_s or 0.0))
