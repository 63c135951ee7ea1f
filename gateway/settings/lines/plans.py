"""Lines with their instruments: from the site file to the frozen LinePlans."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from gateway.acquisition.plan import FrameKind, InstrumentPlan, LinePath, LinePlan, TcpPath
from gateway.settings.lines.map_trees import unroll
from gateway.settings.lines.models import InstrumentModel, LineModel, MapModel
from gateway.settings.lines.paths import LinePaths
from gateway.settings.lines.register_maps import BuiltMap, MapLibrary, build_map
from gateway.settings.reading.document import Document, KeyPath, Mistakes
from gateway.settings.reading.validation import suggestion, validate

__all__ = ["BuiltInstrument", "BuiltLines", "build_lines", "declared_names"]

_MAP_KEYS = ("signals", "largest_block", "gaps", "forbidden", "fault_signals", "age_signal", "counter_signal")


class BuiltInstrument(NamedTuple):
    plan: InstrumentPlan
    registers: BuiltMap


class BuiltLines(NamedTuple):
    lines: tuple[LinePlan, ...]
    instruments: Mapping[str, BuiltInstrument]
    """Those without a mistake."""
    declared: frozenset[str]
    """Every instrument that the file names, right or wrong."""


def declared_names(document: Document, section: str) -> tuple[str, ...]:
    """The tags of a section, right or wrong."""
    data: Any = document.data((section,))
    return tuple(data) if isinstance(data, dict) else ()


def build_lines(document: Document, mistakes: Mistakes) -> BuiltLines:
    """Check and build lines, maps and instruments."""
    library = MapLibrary(document, mistakes)
    paths = LinePaths(document, mistakes)
    models: dict[str, LineModel] = {}
    ways: dict[str, tuple[LinePath, LinePath | None]] = {}
    line_names = declared_names(document, "lines")
    for name in line_names:
        checked_line = validate(LineModel, document, ("lines", name), mistakes)
        if checked_line is not None and not checked_line.dropped:
            way = paths.build(name, checked_line.model)
            if way is not None:
                models[name] = checked_line.model
                ways[name] = way
    built: dict[str, BuiltInstrument] = {}
    on_line: dict[str, list[InstrumentPlan]] = {name: [] for name in line_names}
    taken: dict[tuple[str, int], str] = {}
    tags = declared_names(document, "instruments")
    for tag in tags:
        path: KeyPath = ("instruments", tag)
        unroll(document, path, mistakes)
        checked = validate(InstrumentModel, document, path, mistakes)
        if checked is None:
            continue
        model, dropped = checked
        if "line" not in dropped and model.line not in on_line:
            text = f"there is no line '{model.line}'; {suggestion(model.line, line_names)}"
            mistakes.add((*path, "line"), text)
        if "unit" not in dropped and not 0 <= model.unit <= 255:
            mistakes.add((*path, "unit"), f"{model.unit} is not a Modbus unit identifier; give 0 to 255")
        elif "unit" not in dropped and model.line in ways and not 1 <= model.unit <= 247:
            framing = _narrowest(*ways[model.line])
            if framing is not FrameKind.TCP:
                text = f"{model.unit} is no unit in {framing} frames; give 1 to 247"
                mistakes.add((*path, "unit"), text)
        if not dropped & {"line", "unit"}:
            other = taken.setdefault((model.line, model.unit), tag)
            if other != tag:
                text = f"{model.unit} is already the unit of {other} on line {model.line}; give each its own"
                mistakes.add((*path, "unit"), text)
        registers = _registers(model, dropped, tag, path, library, mistakes)
        if registers is None or dropped or model.line not in on_line:
            continue
        plan = InstrumentPlan(tag, model.unit, registers.map, model.period, model.timeout, model.pause or 0.0)
        built[tag] = BuiltInstrument(plan, registers)
        on_line[model.line].append(plan)
    plans = tuple(_line(name, model, ways[name], tuple(on_line[name])) for name, model in models.items())
    return BuiltLines(plans, built, frozenset(tags))


def _narrowest(primary: LinePath, standby: LinePath | None) -> FrameKind:
    """The framing that allows the fewest units."""
    return next((way.framing for way in (primary, standby) if way and way.framing is not FrameKind.TCP), FrameKind.TCP)


def _line(
    name: str, model: LineModel, ways: tuple[LinePath, LinePath | None], instruments: tuple[InstrumentPlan, ...]
) -> LinePlan:
    primary, standby = ways
    host, port = (primary.host, primary.port) if isinstance(primary, TcpPath) else (primary.port, 0)
    return LinePlan(
        name,
        host,
        port,
        instruments,
        model.connect_timeout,
        model.backoff_first,
        model.backoff_longest,
        path=primary,
        standby=standby,
        fail_back_s=model.fail_back,
        in_flight=model.in_flight,
        connections=model.connections,
    )


def _registers(
    model: InstrumentModel,
    dropped: frozenset[str],
    tag: str,
    path: KeyPath,
    library: MapLibrary,
    mistakes: Mistakes,
) -> BuiltMap | None:
    in_line = [key for key in _MAP_KEYS if getattr(model, key) is not None]
    if model.map is not None:
        for key in in_line:
            mistakes.add((*path, key), f"belongs to the map '{model.map}' already; give either map or signals")
        return library.find(model.map, (*path, "map"))
    if model.signals is None:
        if not dropped & {"map", "signals"}:
            mistakes.add((*path, "map"), "is missing; give the name of a register map, or signals in line")
        return None
    given = {key: getattr(model, key) for key in in_line}
    return build_map(MapModel.model_construct(**given), tag, path, mistakes)
