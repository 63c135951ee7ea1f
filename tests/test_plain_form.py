"""Records as plain values and back: every field of every type, digit by digit, and nothing else taken for them."""

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, NamedTuple

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.plain_form import PlainForm, PlainFormError, SteadyTime, recurring
from gateway.records import Inventory, TankInput
from tests.support.of_types import values_of


class Colour(StrEnum):
    RED = "red"
    BLUE = "blue"


class Inner(NamedTuple):
    time_s: SteadyTime
    lasts_s: float = 0.0


class Outer(NamedTuple):
    name: str
    inner: tuple[Inner, ...] = ()
    last: Inner | None = None
    colours: frozenset[Colour] = frozenset()
    pairs: tuple[tuple[Colour, Inner], ...] = ()
    by_name: Mapping[str, Inner] = {}
    since_s: SteadyTime | None = None
    number: int = 0
    is_so: bool = False
    at: datetime | None = None
    either: tuple[str | int | float | Inner, ...] = ()
    within: "tuple[Outer, ...]" = ()


FORM = PlainForm(Outer)


@recurring
class Recurring(NamedTuple):
    time_s: float
    lasts_s: float = 0.0
    inner: tuple[Inner, ...] = ()


class Named(NamedTuple):
    """As what writes it may name its own things."""

    value: float
    plain: tuple[tuple[int, ...], ...]
    known: tuple[int | None, ...]
    each: Colour | None
    write: frozenset[str]
    found: Recurring | None = None
    field0: float | None = None
    bound0: str = ""
    id: int = 0


class Empty(NamedTuple):
    pass


def through_json(form: PlainForm[Any], value: Any) -> Any:
    return form.from_plain(orjson.loads(orjson.dumps(form.to_plain(value))))


@given(values_of(Outer))
def test_what_is_written_is_read_back(value: Outer) -> None:
    back = through_json(FORM, value)
    assert back == value
    assert repr(FORM.to_plain(back)) == repr(FORM.to_plain(value)), "minus zero is not zero"


@pytest.mark.parametrize("kind", [TankInput, Inventory])
@settings(max_examples=20)
@given(st.data())
def test_the_records_of_the_pipeline_have_a_form(kind: type, data: st.DataObject) -> None:
    value = data.draw(values_of(kind))
    assert through_json(PlainForm(kind), value) == value


@given(st.floats())
def test_every_number_keeps_every_digit(number: float) -> None:
    (back,) = through_json(PlainForm(tuple[float, ...]), (number,))
    assert math.copysign(1.0, back) == math.copysign(1.0, number) or math.isnan(number)
    assert back == number or (math.isnan(back) and math.isnan(number))


def test_what_is_as_by_default_takes_no_room() -> None:
    assert FORM.to_plain(Outer("a")) == {"name": "a"}
    assert FORM.to_plain(Outer("a", colours=frozenset(Colour)))["colours"] == ["blue", "red"]


def test_steady_times_move_and_nothing_else_does() -> None:
    inner = Inner(10.0, 10.0)
    value = Outer("a", (inner,), inner, pairs=((Colour.RED, inner),), by_name={"x": inner}, since_s=10.0, number=10)
    moved = FORM.moved(value, 5.0)
    there = Inner(15.0, 10.0)
    assert moved == Outer(
        "a", (there,), there, pairs=((Colour.RED, there),), by_name={"x": there}, since_s=15.0, number=10
    )
    assert FORM.moved(Outer("a"), 5.0) == Outer("a")


@pytest.mark.parametrize(
    ("plain", "place"),
    [
        (None, "the whole is not a mapping"),
        ({}, "name is not there"),
        ({"name": 1}, "name is not of kind str"),
        ({"name": "a", "other": 1}, "other is not a field of Outer"),
        ({"name": "a", "inner": {}}, "inner is not a list"),
        ({"name": "a", "inner": [{"time_s": "soon"}]}, "inner[0].time_s is not a number"),
        ({"name": "a", "inner": [{"time_s": True}]}, "inner[0].time_s is not a number"),
        ({"name": "a", "colours": ["green"]}, "colours[0] is not a Colour of this version"),
        ({"name": "a", "pairs": [["red"]]}, "pairs[0] is not a list of 2"),
        ({"name": "a", "by_name": {"x": {}}}, "by_name.x.time_s is not there"),
        ({"name": "a", "number": 1.5}, "number is not of kind int"),
        ({"name": "a", "number": True}, "number is not of kind int"),
        ({"name": "a", "is_so": 1}, "is_so is not of kind bool"),
        ({"name": "a", "at": "noon"}, "at is not a time"),
        ({"name": "a", "at": "2026-11-25T12:00:00"}, "at is not a time with its zone"),
    ],
)
def test_anything_else_is_refused_with_its_place(plain: Any, place: str) -> None:
    with pytest.raises(PlainFormError) as refused:
        FORM.from_plain(plain)
    assert str(refused.value) == place


def test_a_time_is_utc_to_the_microsecond() -> None:
    at = datetime(2026, 11, 25, 12, 0, 0, 1, tzinfo=UTC)
    assert through_json(FORM, Outer("a", at=at)).at == at


@pytest.mark.parametrize("kind", [object, dict, set[int], int | list[str], Mapping[int, str], Any])
def test_a_type_that_has_no_form_is_refused_at_once(kind: Any) -> None:
    with pytest.raises(TypeError):
        PlainForm(kind)


def test_what_is_written_again_is_the_same_and_nothing_is_taken_for_another() -> None:
    """Values that come and go by the thousand, at the same places in memory, and zeros that equal each other."""
    form = PlainForm(Recurring)
    lasting = Recurring(-1.0, 2.0)
    for number in range(5000):
        assert form.to_plain(Recurring(float(number), -0.0)) == {"time_s": float(number), "lasts_s": 0.0}
        assert form.to_plain(lasting) == {"time_s": -1.0, "lasts_s": 2.0}
    signs = [math.copysign(1.0, form.to_plain(Recurring(1.0, zero))["lasts_s"]) for zero in (-0.0, 1.0, -0.0)]
    assert signs == [-1.0, 1.0, -1.0]


def test_only_what_is_said_to_recur_is_written_once() -> None:
    """Whole sheets would else be held on to by the thousand."""
    again, inner = Recurring(1.0), Inner(1.0)
    assert PlainForm(Recurring).to_plain(again) is PlainForm(Recurring).to_plain(again)
    assert PlainForm(Inner).to_plain(inner) is not PlainForm(Inner).to_plain(inner)


def test_what_may_change_cannot_recur() -> None:
    @recurring
    class Changing(NamedTuple):
        by_name: Mapping[str, float]

    with pytest.raises(TypeError, match="holds what may change"):
        PlainForm(Changing)


@given(values_of(Named))
def test_whatever_its_fields_are_called_it_is_written(value: Named) -> None:
    assert through_json(PlainForm(Named), value) == value
    assert through_json(PlainForm(Empty), Empty()) == Empty()


def test_a_mapping_that_has_changed_is_written_as_it_is() -> None:
    there = {"x": Inner(1.0)}
    outer = Outer("a", by_name=there)
    assert FORM.to_plain(outer)["by_name"] == {"x": {"time_s": 1.0}}
    there["x"] = Inner(2.0)
    assert FORM.to_plain(outer)["by_name"] == {"x": {"time_s": 2.0}}
