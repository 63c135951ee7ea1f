"""Pure: a report as people and programs get it: tables of cells that are rounded already, and what is said beside them.

A cell without a value is None and its row says why. Sums are made of what the cells show, never of hidden digits.
"""

from collections.abc import Mapping
from datetime import datetime, tzinfo
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType
from typing import NamedTuple

__all__ = [
    "CAUTIONS",
    "Cell",
    "Column",
    "Fact",
    "Group",
    "Kind",
    "Report",
    "Row",
    "Ruler",
    "Table",
    "Total",
    "TotalCell",
]

Cell = Decimal | str | datetime | None
"""A number as it is shown (its last place is the last that is known), a text, an instant; None: no value."""

CAUTIONS = (
    "Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).",
    "Monitoring only. Quantities follow the methods named; not certified by API/ISO.",
)


class Kind(StrEnum):
    """What a column holds."""

    TEXT = "text"
    NUMBER = "number"
    COUNT = "count"
    """A whole number, which is never grouped: how many, or the number of something."""
    INCHES = "inches"
    """A number of inches, in sixteenths; on paper feet and inches."""
    UTC = "utc"
    LOCAL = "local"
    """An instant in the zone of the site, with its offset: 02:30 occurs twice in a year."""


class Column(NamedTuple):
    key: str
    """For programs."""
    title: str
    kind: Kind = Kind.TEXT
    unit: str = ""
    """As `gateway.units` calls it; empty: none."""
    sign: str = ""
    """As people read it: `m³`."""
    on_paper: bool = True
    share: float = 1.0
    """Of the width that is left on paper, beside other texts."""

    @property
    def heading(self) -> str:
        return f"{self.title} ({self.sign})" if self.sign else self.title


class Ruler(NamedTuple):
    """The scale of a tank, from its datum to its top, in m."""

    top_m: float
    level_m: float | None
    """None: Bad, or none."""
    is_uncertain: bool = False
    moves: int = 0
    """1 while the level rises, -1 while it falls, 0 at rest or not known."""
    ticks: tuple[tuple[float, str], ...] = ()
    """The limits: where, and as people read it."""
    water_m: float | None = None
    from_m: float | None = None
    """Where a movement began; `level_m` is where it ended."""
    words: str = ""
    """What stands at the stop."""


class Row(NamedTuple):
    """One line. A key that is missing in `cells` is None."""

    cells: Mapping[str, Cell]
    uncertain: frozenset[str] = frozenset()
    """Columns whose figure is Uncertain."""
    absent: Mapping[str, str] = MappingProxyType({})
    """For a None: what paper says in its place, such as `no value` or `n/a`."""
    shown: Mapping[str, str] = MappingProxyType({})
    """What paper says in place of a number, such as feet and inches in a column that has other units too."""
    notes: tuple[str, ...] = ()
    """On paper below the line."""
    ruler: Ruler | None = None


class TotalCell(NamedTuple):
    """The sum of what the rows show in one column."""

    value: Decimal | None
    """None: not one of the rows has a value."""
    included: int
    of: int
    is_estimated: bool = False
    """It rests on something Uncertain."""

    @property
    def words(self) -> str:
        """`9 of 10, estimated`: what belongs beside the number."""
        return f"{self.included} of {self.of}{', estimated' if self.is_estimated else ''}"


class Total(NamedTuple):
    title: str
    cells: Mapping[str, TotalCell]


class Group(NamedTuple):
    """Rows that belong together, such as those of one product."""

    title: str
    rows: tuple[Row, ...]
    total: Total | None = None


class Table(NamedTuple):
    title: str
    columns: tuple[Column, ...]
    groups: tuple[Group, ...]
    total: Total | None = None
    empty: str = "nothing to report"
    """What stands there where there are no rows."""
    ruler: Ruler | None = None
    """On paper below the title, over the whole width."""
    notes: tuple[str, ...] = ()
    """Below the title."""

    @property
    def rows(self) -> tuple[Row, ...]:
        return tuple(row for group in self.groups for row in group.rows)


class Fact(NamedTuple):
    """One line of the head: what, and what is said of it."""

    name: str
    text: str


class Report(NamedTuple):
    kind: str
    title: str
    site: str
    as_of: datetime
    """UTC: the instant that it is about; of a span its end."""
    zone: tzinfo
    identity: str
    """Names what is kept that it was made of: the same again gives the same report."""
    tables: tuple[Table, ...]
    facts: tuple[Fact, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    simulated: bool = False
    is_upright: bool = False
    """The paper; else it lies on its long side."""
    signatures: tuple[str, ...] = ()
    """Who signs on it."""
