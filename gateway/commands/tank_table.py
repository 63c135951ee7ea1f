"""All tanks at a glance: one row each, totals by product, and why a row is not simply Good.

An Uncertain number has a `?` behind it, so that one sees which numbers of a doubtful row may still be relied on. Where
the vapour above a liquid is counted, mass is that of both: what evaporates is not lost.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from gateway.commands.output import Column, Grid
from gateway.display import (
    NO_VALUE,
    UnitSystem,
    age_text,
    printable,
    quality_words,
    reason_sentences,
    show_figure,
    show_value,
    unit_of,
)
from gateway.records import Figure, Inventory, Quality, ReasonCode

__all__ = ["TankView", "Total", "notes", "tank_grid", "total", "total_lines", "view_of"]

_STYLES = {Quality.GOOD: "", Quality.UNCERTAIN: "yellow", Quality.BAD: "bold red"}
_SHOWN = (
    ("level", "Level", 0),
    ("liquid_temperature", "Temp", 0),
    ("tov", "TOV", 4),
    ("gsv", "GSV", 0),
    ("mass", "Mass", 2),
    ("room", "Room", 0),
)
_TOTALS = {"gsv": "GSV", "mass": "mass"}
_DOUBT = "?"
# A configured density is manual as well; here the word is kept for what stands in for an instrument.
_MEASURED = ("level", "water_level", "liquid_temperature")


class TankView(NamedTuple):
    """One tank as a person sees it, whether it comes from the running process or over HTTP."""

    tank: str
    product: str
    quality: Quality
    figures: Mapping[str, Figure]
    simulated: bool


class Total(NamedTuple):
    """The sum of one figure over several tanks."""

    value: float | None
    """SI; None when no tank has a value."""
    included: int
    tanks: int
    """Those to which the figure applies, Bad ones among them."""
    estimated: bool
    """Whether an Uncertain figure is part of it."""


def view_of(inventory: Inventory, now: datetime | None = None) -> TankView:
    """A view of `inventory`; with `now` (UTC) its ages grow by the time since its instant."""
    figures: dict[str, Figure] = inventory.figures._asdict()
    if now is not None:
        later_s = max(0.0, (now - inventory.instant).total_seconds())
        figures = {name: figure._replace(age_s=figure.age_s + later_s) for name, figure in figures.items()}
    return TankView(inventory.tank, inventory.product, inventory.quality, figures, inventory.simulated)


def tank_grid(views: Sequence[TankView], system: UnitSystem = UnitSystem.SI) -> Grid:
    """One row a tank. The age is that of the older of level and temperature."""
    columns = [Column("Tank"), Column("Product", drop_first=3)]
    for name, header, drop_first in _SHOWN:
        unit = unit_of(name, system)
        columns.append(Column(f"{header} {unit}".strip(), right=True, drop_first=drop_first))
    columns += [Column("Quality", wraps=True), Column("Age", right=True)]
    rows = []
    for view in views:
        numbers = [_cell(name, _shown(view, name), system) for name, _, _ in _SHOWN]
        manual = any(view.figures[name].manual for name in _MEASURED)
        words = quality_words(view.quality, manual=manual, simulated=view.simulated)
        age = max(view.figures["level"].age_s, view.figures["liquid_temperature"].age_s)
        rows.append((view.tank, view.product, *numbers, words, age_text(age)))
    return Grid(tuple(columns), tuple(rows), tuple(_STYLES[view.quality] for view in views))


def notes(views: Iterable[TankView]) -> list[str]:
    """One line for each doubt about each tank that is not Good: its name, Bad or Uncertain, and why."""
    lines = []
    for view in views:
        for quality in (Quality.BAD, Quality.UNCERTAIN):
            marked = any(_shown(view, name).quality is quality for name, _, _ in _SHOWN)
            if view.quality is not quality and not marked:
                continue
            why = "; ".join(reason_sentences(view.figures, quality)) or "no reason given"
            mark = f" ({_DOUBT})" if quality is Quality.UNCERTAIN else ""
            lines.append(printable(f"{view.tank}: {quality.word}{mark}: {why}"))
    return lines


def total(figures: Iterable[Figure]) -> Total | None:
    """Sum: Bad is left out and counted, Uncertain is included and makes it estimated, `not applicable` is no member.

    None when the figure applies to none of the tanks.
    """
    members = [figure for figure in figures if figure.quality is Quality.BAD or figure.value is not None]
    if not members:
        return None
    values = [figure.value for figure in members if figure.value is not None and figure.quality is not Quality.BAD]
    estimated = any(figure.quality is Quality.UNCERTAIN for figure in members)
    return Total(sum(values) if values else None, len(values), len(members), estimated)


def total_lines(views: Sequence[TankView], system: UnitSystem = UnitSystem.SI) -> list[str]:
    """A line for each product that stands in several tanks, one for the mass of all, and one that says of which tanks
    mass is that of liquid and vapour.
    """
    products: dict[str, list[TankView]] = {}
    for view in views:
        products.setdefault(view.product, []).append(view)
    groups = [(product, members) for product, members in products.items() if len(members) > 1]
    lines = []
    for product, members in groups:
        parts = [_total_text(name, members, system) for name in ("gsv", "mass")]
        lines.append(printable(f"Total {product}: {_joined(parts)}"))
    everything = _total_text("mass", views, system)
    if everything:
        simulated = ", SIMULATED" if any(view.simulated for view in views) else ""
        lines.append(f"Total of all products: {everything}{simulated}")
    with_vapour = [view.tank for view in views if _counts_vapour(view)]
    if with_vapour:
        lines.append(printable(f"Mass of {', '.join(with_vapour)}: liquid and vapour together"))
    return lines


def _joined(parts: Iterable[str]) -> str:
    return "; ".join(part for part in parts if part) or "no figure applies"


def _counts_vapour(view: TankView) -> bool:
    """Whether the vapour above its liquid is part of what it holds, known or not."""
    together = view.figures["total_mass"]
    if together.quality is not Quality.BAD:
        return together.value is not None
    return all(reason.code is not ReasonCode.CALCULATION_FAILED for reason in together.reasons)


def _shown(view: TankView, name: str) -> Figure:
    """The figure in the column of `name`."""
    return view.figures["total_mass" if name == "mass" and _counts_vapour(view) else name]


def _total_text(name: str, views: Sequence[TankView], system: UnitSystem) -> str:
    header = _TOTALS[name]
    if name == "mass" and any(_counts_vapour(view) for view in views):
        header = f"{header} incl. vapour"
    summed = total(_shown(view, name) for view in views)
    if summed is None:
        return ""
    shown = NO_VALUE if summed.value is None else show_value(name, summed.value, system).text
    estimated = ", estimated" if summed.estimated else ""
    return f"{header} {shown} ({summed.included} of {summed.tanks} tanks{estimated})"


def _cell(name: str, figure: Figure, system: UnitSystem) -> str:
    number = show_figure(name, figure, system).number
    return f"{number}{_DOUBT}" if figure.quality is Quality.UNCERTAIN else number
