"""Scenario file -> Scenario, with every mistake as one line that names file, line, key and what would be right."""

import dataclasses
import typing
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from simulators.errors import ScenarioError
from simulators.faults import FAULTS, Fault
from simulators.scenario import Scenario, ScheduledFault, SignalPart
from simulators.units import parse_quantity
from simulators.yaml_file import Place, read_yaml

__all__ = ["check_scenario", "expand_signals", "load_scenario", "make_fault", "scenario_names"]

_SHIPPED = Path(str(files("simulators"))) / "scenarios"


def scenario_names() -> list[str]:
    """Names of the scenarios that come with the package."""
    return sorted(path.stem for path in _SHIPPED.glob("*.yaml") if path.stem != "ten_tanks")


def load_scenario(path_or_name: str | Path) -> Scenario:
    """Read a scenario file, or one of the package's own by its name (`demo`, `printed_state`).

    Raises ScenarioError with one line for each mistake.
    """
    path = Path(path_or_name)
    shipped = _SHIPPED / f"{path_or_name}.yaml"
    try:
        is_there, is_file = path.exists(), path.is_file()
    except OSError as exc:
        raise ScenarioError(f"{path}: cannot be read ({exc.strerror}); give the name of a YAML file") from exc
    if not is_there and str(path_or_name) in scenario_names():
        path = shipped
    elif not is_file:
        names = ", ".join(scenario_names())
        raise ScenarioError(f"{path_or_name}: no such file or scenario; give a YAML file or one of: {names}")
    tree, places = read_yaml(path)
    tree.setdefault("name", path.stem)
    try:
        scenario = Scenario.model_validate(tree)
    except ValidationError as exc:
        raise ScenarioError(*(_sentence(error, path, places) for error in exc.errors())) from exc
    mistakes = [_line(path, places, key, message) for key, message in check_scenario(scenario)]
    if mistakes:
        raise ScenarioError(*mistakes)
    return scenario


def expand_signals(scenario: Scenario, tag: str) -> Iterator[tuple[str, SignalPart]]:
    """An instrument's signals with `temperatures` spread into one signal for each element: t -> t1, t2, ..."""
    for name, part in scenario.instruments[tag].signals.items():
        if part.quantity != "temperatures":
            yield name, part
            continue
        encoding = part.encoding()
        width = encoding.registers if encoding is not None else 1
        for index in range(len(scenario.tanks[part.tank].elements)):
            yield (
                f"{name}{index + 1}",
                part.model_copy(
                    update={"quantity": "temperature", "element": index + 1, "address": part.address + index * width}
                ),
            )


def make_fault(name: str, options: Mapping[str, object] | None = None) -> Fault:
    """A fault by its name in scenario files. Raises ValueError with what would be right."""
    kind = FAULTS.get(name)
    if kind is None:
        raise ValueError(f"fault: there is no {name!r}; give one of: {', '.join(FAULTS)}")
    fields = {field.name: field for field in dataclasses.fields(typing.cast(typing.Any, kind))}
    hints = typing.get_type_hints(kind)
    values: dict[str, object] = {}
    for key, value in (options or {}).items():
        field_name = "delay_s" if key == "delay" else key
        if field_name not in fields:
            known = ", ".join("delay" if field == "delay_s" else field for field in fields) or "none"
            raise ValueError(f"options: {name} knows no {key!r}; its options: {known}")
        values[field_name] = _option(field_name, value, hints[field_name]) if isinstance(value, str) else value
    missing = [key for key, field in fields.items() if field.default is dataclasses.MISSING and key not in values]
    if missing:
        raise ValueError(f"options: {name} needs {' and '.join(missing)}")
    return kind(**values)


def _option(name: str, text: str, hint: object) -> object:
    if name == "delay_s":
        return parse_quantity(text, "duration")
    if name == "amount":
        for dimension in ("length", "temperature difference", "pressure"):
            try:
                return parse_quantity(text, dimension)
            except ValueError:
                continue
        raise ValueError(f"options.amount: {text!r} is not a length, temperature or pressure; write it like '50 mm'")
    try:
        if hint is bool:
            return {"true": True, "false": False}[text]
        return int(text) if hint is int else float(text) if hint is float else text
    except (KeyError, ValueError):
        kind = "true or false" if hint is bool else "a whole number" if hint is int else "a number"
        raise ValueError(f"options.{name}: {text!r} is not {kind}") from None


def check_scenario(scenario: Scenario) -> Iterator[tuple[tuple[str, ...], str]]:
    """What does not fit together, as (key, sentence). Empty for a scenario that can be served."""
    units: dict[tuple[str, int], str] = {}
    for tag, instrument in scenario.instruments.items():
        key = ("instruments", tag)
        if instrument.line not in scenario.lines:
            yield (*key, "line"), _unknown("line", instrument.line, scenario.lines)
        other = units.setdefault((instrument.line, instrument.unit), tag)
        if other != tag:
            yield (*key, "unit"), f"unit {instrument.unit} on {instrument.line} is {other}'s; give a free number"
        yield from _check_signals(scenario, tag)
    for index, movement in enumerate(scenario.movements):
        key = ("movements", str(index))
        if movement.tank not in scenario.tanks:
            yield (*key, "tank"), _unknown("tank", movement.tank, scenario.tanks)
        if movement.until is not None and movement.until <= movement.at:
            yield (*key, "until"), f"{movement.until:g} s is not after 'at', {movement.at:g} s; give a later time"
    for index, scheduled in enumerate(scenario.faults):
        yield from _check_fault(scenario, ("faults", str(index)), scheduled)


def _check_signals(scenario: Scenario, tag: str) -> Iterator[tuple[tuple[str, ...], str]]:
    key = ("instruments", tag, "signals")
    unknown = False
    for name, part in scenario.instruments[tag].signals.items():
        if part.tank not in scenario.tanks:
            unknown = True
            yield (*key, name, "tank"), _unknown("tank", part.tank, scenario.tanks)
        elif part.element is not None and part.element > len(scenario.tanks[part.tank].elements):
            count = len(scenario.tanks[part.tank].elements)
            yield (*key, name, "element"), f"{part.tank} has {count} elements; give 1 to {count}"
    if unknown:
        return
    holders: dict[tuple[str, int, int | None], str] = {}
    for name, part in expand_signals(scenario, tag):
        encoding = part.encoding()
        for address in range(part.address, part.address + (encoding.registers if encoding is not None else 1)):
            other = holders.get((part.table, address, None)) or holders.setdefault(
                (part.table, address, part.bit), name
            )
            if other != name:
                given = name if name in scenario.instruments[tag].signals else name.rstrip("0123456789")
                yield (*key, given, "address"), f"{part.table} {address} is {other}'s too; give a free address"
                break


def _check_fault(
    scenario: Scenario, key: tuple[str, ...], scheduled: ScheduledFault
) -> Iterator[tuple[tuple[str, ...], str]]:
    if scheduled.instrument not in scenario.instruments:
        yield (*key, "instrument"), _unknown("instrument", scheduled.instrument, scenario.instruments)
        return
    if scheduled.until is not None and scheduled.until <= scheduled.from_:
        yield (*key, "until"), f"{scheduled.until:g} s is not after 'from', {scheduled.from_:g} s; give a later time"
    try:
        fault = make_fault(scheduled.fault, scheduled.options)
    except ValueError as exc:
        member, _, message = str(exc).partition(": ")
        yield (*key, *member.split(".")), message or str(exc)
        return
    names = [name for name, _ in expand_signals(scenario, scheduled.instrument)]
    wanted = getattr(fault, "signal", None)
    if wanted is not None and wanted not in names:
        yield (*key, "options", "signal"), _unknown("signal", wanted, names)


def _unknown(kind: str, name: str, known: Mapping[str, object] | list[str]) -> str:
    return f"there is no {kind} {name!r}; give one of: {', '.join(known)}"


def _sentence(error: ErrorDetails, path: Path, places: dict[tuple[str, ...], Place]) -> str:
    # pydantic puts the name of a union's member into the location; it is no key of the file.
    key = tuple(str(part) for part in error["loc"] if part not in ("upright", "lying"))
    message = error["msg"]
    if error["type"] == "value_error":
        message = str(error["ctx"]["error"])
        member, _, rest = message.partition(": ")
        if rest and member.isidentifier():
            key, message = (*key, member), rest
    elif error["type"] == "missing":
        message = "is missing; give it"
    elif error["type"] == "union_tag_not_found":
        key, message = (*key, "kind"), "is missing; give 'upright' or 'lying'"
    else:
        message = f"{error['input']!r} cannot be used here; {message[:1].lower()}{message[1:]}".replace(
            "input should be", "it should be"
        )
    return _line(path, places, key, message)


def _line(path: Path, places: dict[tuple[str, ...], Place], key: tuple[str, ...], message: str) -> str:
    known = key
    while known and known not in places:
        known = known[:-1]
    file, line = places.get(known, (path.name, 1))
    return f"{file}:{line}: {'.'.join(key) + ': ' if key else ''}{message}"
