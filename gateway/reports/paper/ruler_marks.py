"""Pure: the scale of a tank as marks: a thin line from datum to top, limits as ticks, the level as a heavy stop.

A stop that moves has an arrowhead; an Uncertain one is dashed with `?`; where there is no level the line has a gap and
says so; water is a short double line at the low end. Of a movement the hollow mark is where it began.
"""

from gateway.reports.paper.marks import Line, Mark, Measure, Shape, Words
from gateway.reports.report import Ruler

__all__ = ["NARROW_HEIGHT", "narrow_ruler", "wide_ruler"]

NARROW_HEIGHT = 15.0
_TICK = 3.0
_STOP = 5.5
_SMALL = 5.5
_LABEL = 6.5
_LABEL_LEADING = 7.5
_GAP = 14.0


def narrow_ruler(ruler: Ruler, x: float, y: float, width: float) -> list[Mark]:
    """Without the names of its limits. `y` is that of the line."""
    marks = _line(ruler, x, y, width)
    marks += [Line(at, y - _TICK, at, y + _TICK, 0.6) for at, _ in _ticks(ruler, x, width)]
    return [*marks, *_stop(ruler, x, y, width)]


def wide_ruler(ruler: Ruler, x: float, y: float, width: float, measure: Measure) -> tuple[list[Mark], float]:
    """With names and values of its limits below it, and what stands at the stop above. `y` is the upper edge; gives the
    marks and their height."""
    base = y + _STOP + _LABEL_LEADING + 4.0
    marks = _line(ruler, x, base, width)
    ends: list[float] = []
    """How far each line of labels reaches."""
    for at, label in _ticks(ruler, x, width):
        wide = measure(label, _LABEL, False) + 2.0
        # Left of its tick, so that no tick goes through the label of another; right of it where there is no room.
        begin, align = (at - wide, 1) if at - wide >= x else (at, -1)
        depth = next((depth for depth, end in enumerate(ends) if begin > end + 4.0), len(ends))
        ends[depth : depth + 1] = [begin + wide]
        below = base + _TICK + (depth + 1) * _LABEL_LEADING
        marks += [Line(at, base - _TICK, at, below, 0.6), Words(at - 2.0 * align, below, label, _LABEL, align=align)]
    marks += _stop(ruler, x, base, width)
    if ruler.words:
        half = measure(ruler.words, _LABEL, True) / 2
        stop = x if ruler.level_m is None else _place(ruler.level_m, ruler, x, width)
        middle = min(max(stop, x + half), x + width - half)
        marks.append(Words(middle, y + _LABEL, ruler.words, _LABEL, bold=True, align=0))
    depth = max(len(ends), 1)
    return marks, base - y + _TICK + 4.0 + depth * _LABEL_LEADING


def _place(metres: float, ruler: Ruler, x: float, width: float) -> float:
    return x + width * min(max(metres / ruler.top_m, 0.0), 1.0)


def _ticks(ruler: Ruler, x: float, width: float) -> list[tuple[float, str]]:
    return [(_place(metres, ruler, x, width), label) for metres, label in sorted(ruler.ticks)]


def _line(ruler: Ruler, x: float, y: float, width: float) -> list[Mark]:
    begin = x if ruler.level_m is not None else x + _GAP
    marks: list[Mark] = [Line(begin, y, x + width, y, 0.5)]
    marks += [Line(x, y - _TICK, x, y + _TICK, 0.5), Line(x + width, y - _TICK, x + width, y + _TICK, 0.5)]
    if ruler.water_m is not None and ruler.water_m > 0.0:
        # Never so short that it cannot be seen.
        end = max(_place(ruler.water_m, ruler, x, width), x + 4.0)
        marks += [Line(x, y + 1.6, end, y + 1.6, 0.5), Line(x, y + 3.0, end, y + 3.0, 0.5)]
    return marks


def _stop(ruler: Ruler, x: float, y: float, width: float) -> list[Mark]:
    if ruler.level_m is None:
        return [Words(x + 2.0, y + 2.0, "?", _SMALL, bold=True)]
    at = _place(ruler.level_m, ruler, x, width)
    marks: list[Mark] = []
    if ruler.from_m is not None:
        begin = _place(ruler.from_m, ruler, x, width)
        marks.append(Line(begin, y - 1.6, at, y - 1.6, 0.9, grey=True))
        corners = ((begin - 2.0, y), (begin, y - 3.0), (begin + 2.0, y), (begin, y + 3.0))
        marks.append(Shape(corners, is_filled=False))
    if ruler.is_uncertain:
        marks += [Line(at, y - _STOP, at, y + _STOP, 1.6, dashes=(1.8, 1.4)), Words(at + 2.5, y - 2.0, "?", _SMALL)]
    else:
        marks.append(Line(at, y - _STOP, at, y + _STOP, 2.2))
    if ruler.moves:
        tip = at + 6.0 * ruler.moves
        marks.append(Shape(((at, y - 3.0), (tip, y), (at, y + 3.0))))
    return marks
