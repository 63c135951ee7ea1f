"""A capacity table as a plain SVG: volume against level and, below it, the first differences, where misprints show.

The first difference of two rows is drawn as volume over level, the surface it implies, so that rows of unequal steps
can be compared. SVG 1.1, static, readable in black and white.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple
from xml.etree import ElementTree

from gateway.calculation.contracts import Capacity
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.slips import Slip
from gateway.display import printable

__all__ = ["plot_svg"]

_WIDTH, _HEIGHT = 900.0, 720.0
_LEFT, _RIGHT = 90.0, 870.0
_PANELS = ((70.0, 340.0), (410.0, 660.0))
_TICKS = 6
_SHAPE_POINTS = 300
_TABLE_STYLE = {"fill": "none", "stroke": "#1f1f1f", "stroke-width": "1.2"}
_SHAPE_STYLE = {"fill": "none", "stroke": "#1f6fb2", "stroke-width": "1.2", "stroke-dasharray": "6 4"}
_ODD_STYLE = {"fill": "none", "stroke": "#c0271b", "stroke-width": "1.6"}


class _Axes(NamedTuple):
    """Data ranges and the panel they are drawn in."""

    x: tuple[float, float]
    y: tuple[float, float]
    panel: tuple[float, float]

    def at(self, x: float, y: float) -> tuple[float, float]:
        top, bottom = self.panel
        across = _LEFT + (x - self.x[0]) / (self.x[1] - self.x[0]) * (_RIGHT - _LEFT)
        return across, bottom - (y - self.y[0]) / (self.y[1] - self.y[0]) * (bottom - top)


def plot_svg(table: CapacityTable, shape: Capacity | None, slips: Sequence[Slip]) -> str:
    """The drawing as text. `shape`: dimensions to draw beside the table; `slips` are ringed."""
    svg = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {_WIDTH:.0f} {_HEIGHT:.0f}",
            "width": f"{_WIDTH:.0f}",
            "height": f"{_HEIGHT:.0f}",
            "font-family": "sans-serif",
            "font-size": "12",
        },
    )
    dated = "" if table.date is None else f" of {table.date.isoformat()}"
    title = printable(f"Capacity table {table.name}{dated}")
    ElementTree.SubElement(svg, "title").text = title
    ElementTree.SubElement(svg, "rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})
    _text(svg, title, (_LEFT, 28.0), size="16")
    _text(svg, _legend(table, shape, slips), (_LEFT, 48.0))

    ends = (table.bottom_m, table.top_m)
    outline = [] if shape is None else _outline(shape, ends)
    volumes = list(zip(table.levels_m, table.volumes_m3, strict=True))
    upper = _axes(svg, ends, [*volumes, *outline], 0, "Volume, m³")
    _line(svg, upper, outline, _SHAPE_STYLE)
    _line(svg, upper, volumes, _TABLE_STYLE)

    surfaces = _steps(volumes)
    shape_surfaces = _slopes(outline)
    lower = _axes(svg, ends, [*surfaces, *shape_surfaces], 1, "First difference, m³ per m")
    _line(svg, lower, shape_surfaces, _SHAPE_STYLE)
    _line(svg, lower, surfaces, _TABLE_STYLE)
    for slip in slips:
        # A single row shows in the increment below it, a zone in its middle.
        place = max(slip.row - 1, 1) if slip.from_m == slip.to_m else 0
        level = 0.5 * (table.levels_m[place - 1] + table.levels_m[place]) if place else 0.5 * (slip.from_m + slip.to_m)
        level = min(max(level, ends[0]), ends[1])
        x, y = lower.at(level, next(area for upto, area in surfaces[1::2] if upto >= level))
        ElementTree.SubElement(svg, "circle", {"cx": f"{x:.2f}", "cy": f"{y:.2f}", "r": "6", **_ODD_STYLE})
        _text(svg, f"row {slip.row}: {slip.kind.value}", (x, y - 10.0), anchor="middle")
    _text(svg, "Level, m", ((_LEFT + _RIGHT) / 2, _HEIGHT - 14.0), anchor="middle")
    ElementTree.indent(svg)
    return ElementTree.tostring(svg, encoding="unicode", xml_declaration=True) + "\n"


def _legend(table: CapacityTable, shape: Capacity | None, slips: Sequence[Slip]) -> str:
    parts = [f"line: table, {len(table.levels_m):,} rows"]
    if shape is not None:
        parts.append(f"dashes: dimensions, {shape.clause}")
    if slips:
        parts.append(f"rings: {len(slips)} {'slip' if len(slips) == 1 else 'slips'} suspected")
    return printable("; ".join(parts))


def _outline(shape: Capacity, ends: tuple[float, float]) -> list[tuple[float, float]]:
    low, high = max(ends[0], shape.bottom_m), min(ends[1], shape.top_m)
    if not low < high:
        return []
    levels = [min(high, low + (high - low) * number / _SHAPE_POINTS) for number in range(_SHAPE_POINTS + 1)]
    return [(level, shape.volume(level)) for level in levels]


def _steps(rows: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The surface between each two rows, drawn level from the one to the other."""
    points = []
    for (low, less), (high, more) in pairwise(rows):
        area = (more - less) / (high - low)
        points += [(low, area), (high, area)]
    return points


def _slopes(rows: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return [(0.5 * (low + high), (more - less) / (high - low)) for (low, less), (high, more) in pairwise(rows)]


def _axes(
    svg: ElementTree.Element,
    ends: tuple[float, float],
    points: Sequence[tuple[float, float]],
    panel: int,
    title: str,
) -> _Axes:
    """Frame, grid lines and numbers of one panel."""
    top_value = max(y for _, y in points)
    # Volumes and surfaces are never below zero; an empty table still needs a range.
    y_ticks = _ticks(0.0, top_value if top_value > 0.0 else 1.0)
    axes = _Axes(ends, (0.0, y_ticks[-1]), _PANELS[panel])
    top, bottom = axes.panel
    grid = {"stroke": "#d8d8d8", "stroke-width": "0.8"}
    for value in y_ticks:
        _, y = axes.at(ends[0], value)
        _rule(svg, (_LEFT, y), (_RIGHT, y), grid)
        _text(svg, f"{value:,.10g}", (_LEFT - 8.0, y + 4.0), anchor="end")
    for value in _ticks(*ends):
        if ends[0] <= value <= ends[1]:
            x, _ = axes.at(value, 0.0)
            _rule(svg, (x, top), (x, bottom), grid)
            _text(svg, f"{value:,.10g}", (x, bottom + 18.0), anchor="middle")
    _rule(svg, (_LEFT, bottom), (_RIGHT, bottom), {"stroke": "#1f1f1f"})
    _rule(svg, (_LEFT, top), (_LEFT, bottom), {"stroke": "#1f1f1f"})
    _text(svg, title, (_LEFT, top - 8.0))
    return axes


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers 1, 2 or 5 times a power of ten apart, the last at or above `high`."""
    rough = (high - low) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= rough * (1.0 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(number * step, 12) for number in range(first, last + 1)]


def _line(svg: ElementTree.Element, axes: _Axes, points: Sequence[tuple[float, float]], style: dict[str, str]) -> None:
    if points:
        drawn = " ".join(f"{x:.2f},{y:.2f}" for x, y in (axes.at(*point) for point in points))
        ElementTree.SubElement(svg, "polyline", {"points": drawn, **style})


def _rule(
    svg: ElementTree.Element, start: tuple[float, float], end: tuple[float, float], style: dict[str, str]
) -> None:
    place = {"x1": start[0], "y1": start[1], "x2": end[0], "y2": end[1]}
    ElementTree.SubElement(svg, "line", {**{name: f"{value:.2f}" for name, value in place.items()}, **style})


def _text(
    svg: ElementTree.Element, words: str, at: tuple[float, float], anchor: str = "start", size: str | None = None
) -> None:
    attributes = {"x": f"{at[0]:.2f}", "y": f"{at[1]:.2f}", "text-anchor": anchor, "fill": "#1f1f1f"}
    if size is not None:
        attributes["font-size"] = size
    ElementTree.SubElement(svg, "text", attributes).text = words
