"""What a site holds now, as lines: by product, by owner, and what those totals leave out and why."""

from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from decimal import Decimal
from typing import Any

from gateway.commands.operator.course_words import site_time
from gateway.commands.output import Column, Grid, plain_lines
from gateway.display import NO_VALUE, printable, show_value, unit_of
from gateway.records import Quality

__all__ = ["stock_lines"]

Line = Mapping[str, Any]
_SHOWN = {
    "gsv": "GSV",
    "tov": "TOV",
    "free_water": "Water",
    "mass": "Mass",
    "weight_in_air": "Weight in air",
    "pumpable": "Pumpable",
    "room": "Room",
}
_OF_ALL = ("mass", "weight_in_air")
"""Volumes of different products add up to nothing that anybody can use."""


def stock_lines(stock: Mapping[str, Any], zone: tzinfo) -> list[str]:
    """Of the stock as /stock has it. `?` beside a number that is estimated; which tanks are left out stands below, each
    with its reason. Raises KeyError, TypeError, ValueError for anything else."""
    lines = ["By product", *plain_lines(_by_product(stock["products"], stock["whole"]))]
    if any(line["owner"] for line in stock["owners"]):
        lines += ["", "By owner", *plain_lines(_by_owner(stock["owners"]))]
    return [*lines, "", *_below(stock, zone)]


def _by_product(products: Sequence[Line], site: Line) -> Grid:
    rows = [(line["product"], *_cells(line), ", ".join(line["moving"])) for line in products]
    if len(products) > 1:
        rows.append(("all products", *_totals(products, site), ""))
    return Grid((Column("Product"), *_columns(), Column("Moving")), tuple(rows))


def _by_owner(owners: Sequence[Line]) -> Grid:
    rows = [(line["owner"] or "(no owner given)", line["product"], *_cells(line)) for line in owners]
    return Grid((Column("Owner"), Column("Product"), *_columns()), tuple(rows))


def _columns() -> tuple[Column, ...]:
    return (*(Column(f"{title} {unit_of(name)}", right=True) for name, title in _SHOWN.items()), Column("Tanks"))


def _cells(line: Line, names: Sequence[str] = tuple(_SHOWN)) -> tuple[str, ...]:
    figures = {name: figure for name, figure in line["figures"].items() if name in names}
    return (*(_cell(name, figures.get(name)) for name in _SHOWN), _count(figures, len(line["members"])))


def _totals(products: Sequence[Line], site: Line) -> tuple[str, ...]:
    """What the site holds, as the sum of the lines shown: whoever adds up gets the same."""
    found = list(_cells(site, _OF_ALL))
    for place, name in enumerate(_SHOWN):
        values = [line["figures"][name]["figure"]["value"] for line in products if name in line["figures"]]
        shown = [Decimal(show_value(name, value).number.replace(",", "")) for value in values if value is not None]
        if name in _OF_ALL and shown:
            found[place] = f"{sum(shown):,}{'?' if _is_estimated(site['figures'][name]) else ''}"
    return tuple(found)


def _cell(name: str, told: Line | None) -> str:
    if told is None:
        return ""
    value = told["figure"]["value"]
    return NO_VALUE if value is None else f"{show_value(name, value).number}{'?' if _is_estimated(told) else ''}"


def _is_estimated(told: Line) -> bool:
    return bool(told["figure"]["quality"] == Quality.UNCERTAIN.word)


def _count(figures: Mapping[str, Line], members: int) -> str:
    """Of the figure that includes the fewest: `9 of 10, estimated`."""
    if not figures:
        return f"0 of {members}"
    included, of = min((each["tanks"] for each in figures.values()), key=lambda tanks: tanks[0] - tanks[1])
    return f"{included} of {of}{', estimated' if any(map(_is_estimated, figures.values())) else ''}"


def _below(stock: Mapping[str, Any], zone: tzinfo) -> list[str]:
    figures = [figure for line in stock["products"] for figure in line["figures"].values()]
    left_out = {tank: reason["text"] for figure in figures for tank, reason in figure["excluded"]}
    doubts = dict.fromkeys(reason["text"] for figure in figures for reason in figure["figure"]["reasons"])
    lines = [f"left out: {tank}: {text}" for tank, text in sorted(left_out.items())]
    lines += [f"estimated: {text}" for text in doubts if not any(f"{tank} is not in it" in text for tank in left_out)]
    if stock["oldest"] is not None:
        lines.append(f"The oldest sheet in it is of {_time(stock['oldest'], zone)}.")
    return [printable(line) for line in lines]


def _time(text: str, zone: tzinfo) -> str:
    return site_time(datetime.fromisoformat(text), zone, "%Y-%m-%d %H:%M:%S")
