"""Pure: what can stand on a page. Points of 1/72 inch from the upper left corner, rightwards and downwards."""

from collections.abc import Callable
from typing import NamedTuple

__all__ = ["Line", "Mark", "Measure", "Page", "Qr", "Shape", "Words"]

Measure = Callable[[str, float, bool], float]
"""(text, size, bold): how wide it is, in points."""


class Words(NamedTuple):
    """One line of text on its base line; `align` says which end of it `x` is: -1 left, 0 middle, 1 right."""

    x: float
    y: float
    text: str
    size: float
    bold: bool = False
    align: int = -1
    grey: bool = False


class Line(NamedTuple):
    x1: float
    y1: float
    x2: float
    y2: float
    width: float = 0.5
    grey: bool = False
    dashes: tuple[float, ...] = ()


class Shape(NamedTuple):
    """Closed, through its corners."""

    corners: tuple[tuple[float, float], ...]
    is_filled: bool = True
    width: float = 0.8


class Qr(NamedTuple):
    x: float
    y: float
    side: float
    text: str


Mark = Words | Line | Shape | Qr
Page = tuple[Mark, ...]
