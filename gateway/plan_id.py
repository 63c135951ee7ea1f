"""Which plan a record was made by: a hash over all that takes effect on the sheets of one tank.

What goes in is what the site file, its includes, tables and products have become: the tank's plan (product, method,
capacity with every row, gauges, elements, limits, gravity), its binding (which signal feeds what, from which age on it
is doubted, what people have entered, which instruments are in maintenance), its period, and the register maps of the
instruments that feed it. Comments, the order of keys, units (`9 m`, `9000 mm`) and the way a value came in make no
difference. What changes no sheet is left out: the way to an instrument, descriptions, deliveries, pages.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import date
from enum import Enum
from typing import Any, NamedTuple

from gateway.acquisition.signals.register_map import InstrumentMap
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan

__all__ = ["OF_LIMITS", "PlanIds", "id_of", "plan_ids", "plan_text"]

_DIGITS = 32
OF_LIMITS = ("limits", "minimum_volume_m3", "maximum_working_volume_m3")
"""Of a tank's plan: what no rate and no loss rests on."""


class PlanIds(NamedTuple):
    """Both in hexadecimal, 128 bits."""

    plan: str
    memory: str
    """The same without what people have entered: what is remembered of a tank holds on over a new density or dip."""
    moves: str
    """Of what its rates and losses rest on: without its limits, its period and from which age on a value is doubted."""


def plan_ids(plan: TankPlan, binding: TankBinding, period_s: float, maps: Mapping[str, InstrumentMap]) -> PlanIds:
    """`maps`: of the instruments, by tag; those that feed the tank count."""
    feeding = {source.instrument: _in_order(maps.get(source.instrument)) for source in binding.sources}
    without = replace(
        binding,
        manual_level=None,
        manual_water=None,
        manual_temperature=None,
        reference_density=None,
        observed_density=None,
        sediment_water=None,
        maintenance=(),
    )
    common = [_plain(plan), _plain(period_s), _plain(feeding)]
    contents = [[each.name, _plain(getattr(plan, each.name))] for each in fields(plan) if each.name not in OF_LIMITS]
    sources = [[*each.key, each.nominal_ohm] for each in binding.sources]
    moves = _hash([contents, _plain(feeding), sources])
    return PlanIds(_hash([*common, _plain(binding)]), _hash([*common, _plain(without)]), moves)


def plan_text(
    plan: TankPlan, binding: TankBinding, period_s: float, maps: Mapping[str, InstrumentMap]
) -> tuple[str, bytes]:
    """`PlanIds.plan`, and what it is the hash of: JSON, ASCII. From that `gateway.plan_body` makes the plan again."""
    feeding = {source.instrument: _in_order(maps.get(source.instrument)) for source in binding.sources}
    text = _text([_plain(plan), _plain(period_s), _plain(feeding), _plain(binding)])
    return id_of(text), text


def _in_order(given: InstrumentMap | None) -> InstrumentMap | None:
    """With its signals by name: they are keys of the site file, whose order means nothing."""
    return None if given is None else replace(given, signals=tuple(sorted(given.signals, key=lambda each: each.name)))


def id_of(text: bytes) -> str:
    """Of the text of a plan."""
    return hashlib.sha256(text).hexdigest()[:_DIGITS]


def _hash(plain: Any) -> str:
    return id_of(_text(plain))


def _text(plain: Any) -> bytes:
    return json.dumps(plain, sort_keys=True, ensure_ascii=True, separators=(",", ":")).encode("ascii")


def _plain(value: Any) -> Any:
    """Values of a plan as JSON has them, with the name of each kind, since two kinds may have the same fields.

    Raises TypeError for what no plan holds: it would have to be the same in every process.
    """
    if value is None or isinstance(value, (bool, int, float)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, str):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        # What follows from the other fields says nothing more.
        given = {field.name: _plain(getattr(value, field.name)) for field in fields(value) if field.init}
        return [type(value).__name__, given]
    if isinstance(value, tuple):
        return [type(value).__name__, *[_plain(each) for each in value]]
    raise TypeError(f"{type(value).__name__} in a plan has no plain form")
