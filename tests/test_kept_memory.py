"""Memory over a restart: whole, by the clock of the new process, and nothing that was kept by another version."""

import hashlib
import math
from datetime import UTC, datetime
from typing import Annotated, Any, get_args, get_origin

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.calculation.doubts.two_gauges import Apart
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.kept_memory import (
    MEMORY_SCHEMA,
    WATCH_SCHEMA,
    Kept,
    KeptMemoryError,
    KeptTank,
    alarms_in,
    kept_from,
    pause_s,
    plain_head,
    plain_tank,
    restored,
)
from gateway.plain_form import PlainForm, SteadyTime
from gateway.records import LastGood
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.house import NO_HOUSE, HouseMemory
from gateway.watch.memory import NO_WATCH, WatchMemory
from tests.support.of_types import fields_within, values_of

S = 1_000_000_000
NOON_NS = 1_795_608_000 * S

SHAPES = {"tank-gateway/memory/1": "810e2851be67eb17", "tank-gateway/memory/2": "bb4a5f94fce59448"}
"""Of each version's `Memory`. A change of the shape needs a new number in MEMORY_SCHEMA and a line here."""

WATCH_SHAPES = {"tank-gateway/watch/1": ("bc6ccda5e133cf78", "9a60014d8edcaf1e")}
"""Of each version's `WatchMemory` and `HouseMemory`, likewise; as long as no released version has kept such memory, the
last line may change instead."""

# Seconds that are lengths of time and not times, and flows, whose names end alike.
LENGTHS = {"Figure.age_s", "Stillness.flowing_s", "Course.flowing_s", "Found.flowing_s"}
FLOWS = {"Stillness.flow_m3_s", "Course.flow_m3_s"}


def plain_of(kept: Kept) -> Any:
    document = plain_head(kept) | {"tanks": {tag: plain_tank(tank) for tag, tank in kept.tanks.items()}}
    return orjson.loads(orjson.dumps(document))


def kept(memory: Memory, utc_ns: int = NOON_NS, steady_ns: int = 1_000 * S) -> Kept:
    return Kept(utc_ns, steady_ns, {"TK-1": KeptTank("plan", memory)})


def shape_of(kind: type) -> str:
    shape = orjson.dumps(PlainForm(kind).shape, option=orjson.OPT_SORT_KEYS)
    return hashlib.sha256(shape).hexdigest()[:16]


def test_the_shape_of_a_watch_is_that_of_its_version() -> None:
    assert WATCH_SHAPES[WATCH_SCHEMA] == (shape_of(WatchMemory), shape_of(HouseMemory))


@settings(max_examples=20)
@given(st.data())
def test_what_a_watch_remembers_is_read_back_whole(data: st.DataObject) -> None:
    watch, house = data.draw(values_of(WatchMemory)), data.draw(values_of(HouseMemory))
    given_ = kept(EMPTY_MEMORY)
    given_ = given_._replace(tanks={"TK-1": KeptTank("plan", EMPTY_MEMORY, watch)}, house=house)
    read = kept_from(plain_of(given_))
    assert (read.tanks["TK-1"].watch, read.house, read.unwatched) == (watch, house, {})


def test_memory_of_a_gateway_that_did_not_watch_yet_is_read() -> None:
    plain = plain_of(kept(EMPTY_MEMORY))
    del plain["gateway"], plain["tanks"]["TK-1"]["watch"]
    read = kept_from(plain)
    assert (read.tanks["TK-1"], read.house) == (KeptTank("plan", EMPTY_MEMORY, NO_WATCH), NO_HOUSE)


@pytest.mark.parametrize("spoilt", [17, {"schema": "tank-gateway/watch/0"}, {"schema": WATCH_SCHEMA, "alarms": 3}])
def test_a_watch_that_cannot_be_read_leaves_the_memory_of_the_calculation(spoilt: Any) -> None:
    plain = plain_of(kept(EMPTY_MEMORY))
    plain["gateway"] = plain["tanks"]["TK-1"]["watch"] = spoilt
    read = kept_from(plain)
    assert (read.tanks["TK-1"], read.house) == (KeptTank("plan", EMPTY_MEMORY, NO_WATCH), NO_HOUSE)
    assert set(read.unwatched) == {"TK-1", ""}
    assert read.damaged == {}


def test_the_shape_of_memory_is_that_of_its_version() -> None:
    shape = orjson.dumps(PlainForm(Memory).shape, option=orjson.OPT_SORT_KEYS)
    assert SHAPES[MEMORY_SCHEMA] == hashlib.sha256(shape).hexdigest()[:16]


def test_every_time_in_memory_is_marked_as_one() -> None:
    """One that is not would stay by the clock of a process that has ended."""
    times: set[str] = set()
    others: set[str] = set()
    for name, hint in fields_within(Memory):
        if name.endswith("_s"):
            inner = get_args(hint) if get_origin(hint) is not Annotated else (hint,)
            (times if SteadyTime in inner else others).add(name)
    assert others == LENGTHS | FLOWS
    assert {"Sample.time_s", "Track.rival_since_s", "Apart.since_s", "LastGood.time_s", "Memory.instant_s"} <= times


@settings(max_examples=50)
@given(values_of(Memory))
def test_memory_is_read_back_whole(memory: Memory) -> None:
    assert kept_from(plain_of(kept(memory))) == kept(memory)


@given(st.integers(min_value=0, max_value=10**9), st.integers(min_value=0, max_value=10**9))
def test_what_was_some_time_ago_is_as_long_ago_and_the_pause(ago_s: int, passed_s: int) -> None:
    """1,000 s of the old clock less `ago_s`; the new one says 5 s: 5 - t = ago + pause."""
    memory = EMPTY_MEMORY._replace(last_good={"tov": LastGood(6.0, 1_000.0 - ago_s)})
    back = restored(kept(memory), "TK-1", 5 * S, float(passed_s))
    assert math.isclose(5.0 - back.last_good["tov"].time_s, ago_s + passed_s, abs_tol=1e-6)


@pytest.mark.parametrize(
    ("passed_s", "expected_s"), [(0.0, 0.0), (3600.0, 3600.0), (-1.0, 0.0), (-300.0, 0.0), (-300.1, None)]
)
def test_the_pause_is_what_utc_tells(passed_s: float, expected_s: float | None) -> None:
    assert pause_s(kept(EMPTY_MEMORY), NOON_NS + round(passed_s * S), 5 * S) == expected_s


@given(st.floats(-300.0, 1e6), st.floats(0.0, 1e6), st.integers(0, 10**15))
def test_a_clock_set_back_a_little_makes_nothing_young_where_the_machine_ran_on(
    told_s: float, passed_s: float, steady_ns: int
) -> None:
    """200 s pass and the clock is set back by 250 s: UTC tells of no time at all, and 200 s it was."""
    stopped = kept(EMPTY_MEMORY)._replace(steady_ns=steady_ns)
    for utc_s, steady_s in ((-50.0, 200.0), (told_s, passed_s)):
        found = pause_s(stopped, NOON_NS + round(utc_s * S), steady_ns + round(steady_s * S))
        assert found == pytest.approx(max(utc_s, steady_s), abs=1e-6)


def test_the_pause_is_not_known_where_a_clock_is_impossible() -> None:
    assert pause_s(kept(EMPTY_MEMORY), NOON_NS + S, 5 * S, is_told=False) is None


def test_of_an_unknown_pause_doubts_stay_and_last_good_values_go() -> None:
    """As if no time had passed: 995 to 1,000 s by the old clock are 5 s at most by the new one."""
    apart = Apart(300.0, 995.0, 0.05, proven=True)
    memory = EMPTY_MEMORY._replace(
        doubts=EMPTY_MEMORY.doubts._replace(apart=apart), last_good={"tov": LastGood(6.0, 990.0)}
    )
    back = restored(kept(memory), "TK-1", 10 * S, None)
    assert back.doubts.apart == Apart(-690.0, 5.0, 0.05, proven=True)
    assert (dict(back.last_good), back.figures) == ({}, None)


@pytest.mark.parametrize(
    ("plain", "sentence"),
    [
        ([], "it is no memory of a gateway"),
        ({"utc_ns": 1}, "it is no memory of a gateway"),
        (
            {"schema": "tank-gateway/memory/0"},
            f"it is of version 'tank-gateway/memory/0', and this gateway reads '{MEMORY_SCHEMA}'",
        ),
        ({"schema": MEMORY_SCHEMA}, "it is damaged: times or tanks are missing"),
        (
            {"schema": MEMORY_SCHEMA, "utc_ns": 1.5, "steady_ns": 1, "tanks": {}},
            "it is damaged: times or tanks are missing",
        ),
    ],
)
def test_what_is_of_another_version_or_damaged_is_refused_with_a_sentence(plain: Any, sentence: str) -> None:
    with pytest.raises(KeptMemoryError) as refused:
        kept_from(plain)
    assert str(refused.value) == sentence


def test_one_damaged_tank_does_not_take_the_others_with_it() -> None:
    plain = plain_of(kept(EMPTY_MEMORY))
    plain["tanks"]["TK-2"] = {"plan": "plan", "memory": {"placed": {"wet": "all"}}}
    plain["tanks"]["TK-3"] = {"memory": {}}
    back = kept_from(plain)
    assert list(back.tanks) == ["TK-1"]
    assert back.damaged == {
        "TK-2": "placed.wet is not a list",
        "TK-3": "its plan is missing",
    }


def test_which_alarms_are_remembered() -> None:
    alarm = AlarmMemory(datetime(2026, 11, 28, tzinfo=UTC))
    watch, house = WatchMemory(alarms={"minimum": alarm}), HouseMemory({"line_lost.bus": alarm})
    kept = Kept(0, 0, {"TK-1": KeptTank("p", EMPTY_MEMORY, watch), "TK-2": KeptTank("p", EMPTY_MEMORY)}, house=house)
    assert alarms_in(kept) == (("TK-1", "minimum"), ("", "line_lost.bus"))
