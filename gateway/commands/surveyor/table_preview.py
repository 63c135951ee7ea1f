"""`table preview`: what would change if a new table took the place of the old one, before anyone relies on it."""

import argparse
from typing import Any

from gateway.calculation.contracts import Capacity
from gateway.calculation.plan import TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.calculation.tables.checks import Difference, ImportPreview, preview_import
from gateway.commands.output import Column, Grid, plain_lines, write, write_json
from gateway.commands.surveyor.table_check import findings
from gateway.commands.surveyor.table_file import CAUTIONS, add_tank, chosen_tank, read_table, table_words
from gateway.display import printable
from gateway.errors import LimitError, UsageError

__all__ = ["add_arguments", "execute"]

_LIMITS = (
    ("minimum", "minimum_m"),
    ("maximum working", "maximum_working_m"),
    ("high-high", "high_high_m"),
    ("critical high", "critical_high_m"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("old", metavar="OLD", nargs="?", help="table in use; left out: what --tank goes by now")
    parser.add_argument("new", metavar="NEW", help="table to be imported")
    add_tank(parser, "volumes at the limits of one of its tanks, and what it goes by now")
    parser.add_argument("--json", action="store_true", help="print the changes for a program, in SI")


def execute(arguments: argparse.Namespace) -> int:
    setup = chosen_tank(arguments)
    plan = None if setup is None else setup.plan
    old: Capacity
    if arguments.old is not None:
        old = read_table(arguments.old)
    elif plan is not None:
        old = plan.capacity
    else:
        raise UsageError("there is nothing to compare with", "give OLD and NEW, or NEW with --site and --tank")
    new = read_table(arguments.new)
    preview = preview_import(old, new)
    at_limits = [] if plan is None else _at_limits(plan, old, new)
    # Whether the new table suits the tank is asked here as well: it is the last look before it is relied upon.
    found = findings(new, setup)
    if arguments.json:
        write_json(_document(old, new, preview, at_limits, list(found.refused), list(found.odd)))
    else:
        write(f"old  {_words(old)}", f"new  {_words(new)}", "")
        _print(preview, at_limits)
        write(*([""] if found.refused or found.odd else []))
        write(*(f"refused: {printable(text)}" for text in found.refused))
        write(*(f"warning: {printable(text)}" for text in found.odd))
        write("", *(f"Caution: {caution}" for caution in CAUTIONS))
    return 2 if found.refused else 0


def _words(capacity: Capacity) -> str:
    if isinstance(capacity, CapacityTable):
        return table_words(capacity)
    return printable(f"{capacity.clause}: {capacity.bottom_m:.3f} m to {capacity.top_m:.3f} m")


def _at_limits(plan: TankPlan, old: Capacity, new: Capacity) -> list[tuple[str, float, float | None, float | None]]:
    """(limit in words, its level in m, old and new volume in m3; None outside the table)."""
    found = []
    for words, field in _LIMITS:
        level: float | None = getattr(plan.limits, field)
        if level is not None:
            found.append((words, level, _volume(old, level), _volume(new, level)))
    return found


def _volume(capacity: Capacity, level_m: float) -> float | None:
    try:
        return capacity.volume(level_m)
    except LimitError:
        return None


def _print(preview: ImportPreview, at_limits: list[tuple[str, float, float | None, float | None]]) -> None:
    write("Attributes that change:" if preview.changed else "No attribute changes.")
    write(*(f"  {printable(text)}" for text in preview.changed), "")
    if not preview.by_level:
        write("The tables have no level in common.")
    elif not preview.largest:
        write("The volumes are the same at every row of both.")
    else:
        write("Largest differences:", *_grid(preview.largest), "", "At even levels:", *_grid(preview.by_level))
    if at_limits:
        rows = [
            (words, f"{level:.3f}", _shown(before), _shown(after), _change(before, after))
            for words, level, before, after in at_limits
        ]
        columns = (
            Column("Limit"),
            *(Column(name, right=True) for name in ("Level m", "Old m3", "New m3", "Change m3")),
        )
        write("", "Volumes at the limits:", *(f"  {line}" for line in plain_lines(Grid(columns, tuple(rows)))))


def _grid(differences: tuple[Difference, ...]) -> list[str]:
    rows = [
        (
            f"{each.level_m:.4f}",
            f"{each.other_m3:.3f}",
            f"{each.volume_m3:.3f}",
            f"{each.difference_m3:+.3f}",
            f"{100.0 * each.difference_m3 / each.other_m3:+.3f}" if each.other_m3 else "-",
        )
        for each in differences
    ]
    names = ("Level m", "Old m3", "New m3", "Change m3", "Change %")
    return [f"  {line}" for line in plain_lines(Grid(tuple(Column(name, right=True) for name in names), tuple(rows)))]


def _shown(volume_m3: float | None) -> str:
    return "none" if volume_m3 is None else f"{volume_m3:.3f}"


def _change(before: float | None, after: float | None) -> str:
    return "-" if before is None or after is None else f"{after - before:+.3f}"


def _document(
    old: Capacity,
    new: CapacityTable,
    preview: ImportPreview,
    at_limits: list[tuple[str, float, float | None, float | None]],
    refused: list[str],
    odd: list[str],
) -> dict[str, Any]:
    def plain(differences: tuple[Difference, ...]) -> list[dict[str, float]]:
        return [
            {
                "level_m": each.level_m,
                "old_m3": each.other_m3,
                "new_m3": each.volume_m3,
                "change_m3": each.difference_m3,
            }
            for each in differences
        ]

    return {
        "old": {"clause": old.clause, "date": _dated(old)},
        "new": {"clause": new.clause, "date": _dated(new)},
        "changed": list(preview.changed),
        "largest": plain(preview.largest),
        "by_level": plain(preview.by_level),
        "limits": [
            {"limit": words, "level_m": level, "old_m3": before, "new_m3": after}
            for words, level, before, after in at_limits
        ],
        "mistakes": refused,
        "warnings": odd,
        "cautions": list(CAUTIONS),
    }


def _dated(capacity: Capacity) -> str | None:
    if isinstance(capacity, CapacityTable) and capacity.date is not None:
        return capacity.date.isoformat()
    return None
