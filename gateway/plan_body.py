"""A tank's plan made again from its text, so that its records can be calculated again later, also after an upgrade.

The text is what the plan's id is the hash of (`gateway.plan_id`), so that it proves itself. Each kind of part stands
there with its name; a part that has got a field since takes its default. A kind or a field that is gone or renamed is
an error that names it: then the version of the program that wrote it must calculate it.
"""

import importlib
import json
import pkgutil
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cache
from types import MappingProxyType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

import gateway.calculation
from gateway.calculation.plan import TankPlan
from gateway.errors import GatewayError
from gateway.plan_id import id_of

__all__ = ["PlanBodyError", "kinds", "plan_from"]


_OF_NO_PLAN = ("gateway.calculation.doubts", "gateway.calculation.history")


class PlanBodyError(GatewayError):
    """The text of a plan is damaged, or of a version whose plans this one cannot read. It says which."""


def plan_from(plan_id: str, text: bytes) -> TankPlan:
    """The plan with that id. Raises PlanBodyError."""
    if id_of(text) != plan_id:
        raise PlanBodyError(f"the text of plan {plan_id} is damaged: it is not what its id says")
    plain = json.loads(text)
    try:
        made = _made(plain[0], TankPlan)
    except (TypeError, ValueError, KeyError, IndexError) as error:
        raise PlanBodyError(f"plan {plan_id} cannot be read by this version: {error}") from error
    if not isinstance(made, TankPlan):
        raise PlanBodyError(f"plan {plan_id} is no plan of a tank")
    return made


@cache
def kinds() -> Mapping[str, type]:
    """What a plan can be made of, by name: everything with fields in the calculation, but for what only remembers."""
    modules = [
        each.name
        for each in pkgutil.walk_packages(gateway.calculation.__path__, "gateway.calculation.")
        if not each.name.startswith(_OF_NO_PLAN)
    ]
    return MappingProxyType(
        {
            name: each
            for module in modules
            for name, each in vars(importlib.import_module(module)).items()
            if isinstance(each, type) and each.__module__ == module and _has_fields(each)
        }
    )


def _has_fields(kind: type) -> bool:
    return is_dataclass(kind) or (issubclass(kind, tuple) and hasattr(kind, "_fields"))


def _made(plain: Any, hint: Any) -> Any:
    """A value of a field that is said to hold that."""
    if get_origin(hint) is Annotated:
        hint = get_args(hint)[0]
    if get_origin(hint) in (Union, UnionType):
        return _one_of(plain, get_args(hint))
    if isinstance(plain, list):
        return _part(plain[0], plain[1:], hint)
    if isinstance(plain, dict):
        key_kind, value_kind = get_args(hint) or (str, Any)
        return {_made(key, key_kind): _made(each, value_kind) for key, each in plain.items()}
    if isinstance(hint, type) and isinstance(plain, str):
        if issubclass(hint, Enum):
            return hint(plain)
        if issubclass(hint, date):
            return hint.fromisoformat(plain)
    return plain


def _one_of(plain: Any, hints: tuple[Any, ...]) -> Any:
    for hint in hints:
        if isinstance(plain, str) and isinstance(hint, type) and issubclass(hint, Enum):
            if plain in {member.value for member in hint}:
                return hint(plain)
        elif isinstance(plain, str) and hint in (date, datetime):
            return hint.fromisoformat(plain)
    if isinstance(plain, (list, dict)):
        containers = [hint for hint in hints if get_origin(hint) is not None]
        return _made(plain, containers[0] if containers else Any)
    return plain


def _part(name: str, given: list[Any], hint: Any) -> Any:
    """A tuple, or something with fields, by its name."""
    if name == "tuple":
        inner = get_args(hint)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple([_made(each, inner[0]) for each in given])
        return tuple([_made(each, kind) for each, kind in zip(given, inner or [Any] * len(given), strict=True)])
    kind = kinds().get(name)
    if kind is None:
        raise ValueError(f"it has a part '{name}', which this version does not know")
    hints = _hints(kind)
    if is_dataclass(kind):
        known = {field.name for field in fields(kind) if field.init}
        unknown = given[0].keys() - known
        if unknown:
            raise ValueError(f"'{name}' has '{min(unknown)}', which this version does not know")
        return kind(**{field: _made(each, hints[field]) for field, each in given[0].items()})
    return kind(*[_made(each, each_hint) for each, each_hint in zip(given, hints.values(), strict=False)])


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind, include_extras=True)
