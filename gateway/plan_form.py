"""A plan read back from the text that its id was made from, so that records of another day can be calculated again."""

import importlib
import json
import pkgutil
from collections.abc import Mapping
from dataclasses import fields
from datetime import date, datetime
from enum import Enum
from functools import cache
from types import MappingProxyType, NoneType, UnionType
from typing import Any, NamedTuple, Union, get_args, get_origin, get_type_hints

import gateway.calculation
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.errors import GatewayError

__all__ = ["KeptPlan", "PlanFormError", "plan_from"]


class PlanFormError(GatewayError):
    """A text is no plan that this version can read. The text says why."""


class KeptPlan(NamedTuple):
    """What a record was made by."""

    plan: TankPlan
    binding: TankBinding
    period_s: float


def plan_from(text: bytes) -> KeptPlan:
    """What `plan_id.plan_text` has written. Raises PlanFormError for anything else, and for what a version that knew
    other plans has written."""
    try:
        plan, period_s, _maps, binding = json.loads(text)
        return KeptPlan(_read(plan, TankPlan), _read(binding, TankBinding), float(period_s))
    except (ValueError, TypeError, KeyError, LookupError) as error:
        raise PlanFormError(f"it is no plan of this version: {error}") from error


def _read(plain: Any, hint: Any) -> Any:
    """A value as `hint` says. Where that leaves several kinds open, the name that was written with it decides."""
    kinds = _kinds(hint)
    if plain is None:
        if NoneType not in kinds:
            raise ValueError("nothing stands where a value belongs")
        return None
    if isinstance(plain, list):
        return _tuple(plain, kinds) if plain[0] == "tuple" else _named(plain, kinds)
    if isinstance(plain, dict):
        inner = next(get_args(kind)[1] for kind in kinds if _is_mapping(kind))
        return MappingProxyType({name: _read(each, inner) for name, each in plain.items()})
    if isinstance(plain, str):
        return _word(plain, kinds)
    return float(plain) if float in kinds and int not in kinds else plain


def _kinds(hint: Any) -> tuple[Any, ...]:
    return get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)


def _is_mapping(kind: Any) -> bool:
    origin = get_origin(kind)
    return isinstance(origin, type) and issubclass(origin, Mapping)


def _tuple(plain: list[Any], kinds: tuple[Any, ...]) -> tuple[Any, ...]:
    inner = next(get_args(kind) for kind in kinds if get_origin(kind) is tuple)
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple([_read(each, inner[0]) for each in plain[1:]])
    return tuple([_read(each, hint) for each, hint in zip(plain[1:], inner, strict=True)])


def _named(plain: list[Any], kinds: tuple[Any, ...]) -> Any:
    """A dataclass by its fields, a named tuple by their order."""
    kind: Any = next((each for each in kinds if getattr(each, "__name__", "") == plain[0]), None) or _class_of(plain[0])
    hints = _hints(kind)
    if not hasattr(kind, "_fields"):
        given = plain[1]
        wanted = [field.name for field in fields(kind) if field.init]
        if set(given) - set(wanted):
            raise ValueError(f"{plain[0]} has no {min(set(given) - set(wanted))}")
        return kind(**{name: _read(given[name], hints[name]) for name in wanted if name in given})
    return kind(*[_read(each, hints[name]) for name, each in zip(kind._fields, plain[1:], strict=True)])


def _word(plain: str, kinds: tuple[Any, ...]) -> Any:
    for kind in kinds:
        if isinstance(kind, type) and issubclass(kind, Enum):
            return kind(plain)
        if kind is datetime:
            return datetime.fromisoformat(plain)
        if kind is date:
            return date.fromisoformat(plain)
    return plain


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _class_of(name: str) -> Any:
    """Of what a protocol leaves open: shapes, tables, correction methods."""
    found = _classes().get(name, ())
    if len(found) != 1:
        raise ValueError(f"this version has no {name}")
    return found[0]


@cache
def _classes() -> dict[str, tuple[type, ...]]:
    """Every dataclass and named tuple of the calculation by its name: a new method is among them by being there."""
    found: dict[str, tuple[type, ...]] = {}
    for each in pkgutil.walk_packages(gateway.calculation.__path__, f"{gateway.calculation.__name__}."):
        module = importlib.import_module(each.name)
        for name, kind in vars(module).items():
            if isinstance(kind, type) and kind.__module__ == module.__name__ and hasattr(kind, "__match_args__"):
                found[name] = (*found.get(name, ()), kind)
    return found
