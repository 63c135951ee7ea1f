"""`ledger check`: what is in a ledger, how far each destination has got, and what is wrong, at once."""

import argparse
from typing import Any

from gateway.commands.output import Column, Grid, plain_lines, write, write_json
from gateway.commands.service.ledger_file import add_file, looked_at, meant, time_text
from gateway.display import age_text, printable
from gateway.ledger.overview import DestinationOverview, Overview, overview
from gateway.ledger.room import room_warnings

__all__ = ["add_arguments", "execute"]

_EPILOG = """Quick, whatever is in it; `tank-gateway ledger verify` looks through every entry.
What was lost once and is past is noted each time; it is wrong where a destination loses entries now: some were forced
out before they had arrived, and it has got none since. Of a site file it is also noted what there is no room for.
Example: tank-gateway ledger check site.yaml
Exit codes: 0 well, also where something is noted; 1 a destination loses entries, or the file is damaged; 2 no ledger of
this version."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--json", action="store_true", help="print it for a program")


def execute(arguments: argparse.Namespace) -> int:
    path, site = meant(arguments.file)
    with looked_at(path) as connection:
        found = overview(connection, path)
    wrong, notes = _wrong(found), _notes(found)
    if site is not None and site.ledger is not None:
        notes += room_warnings(site.ledger, len(site.tanks), path)
    if arguments.json:
        write_json(_document(str(path), found, wrong, notes))
    else:
        said = [*(f"note: {text}" for text in notes), *(f"wrong: {text}" for text in wrong)]
        write(*_lines(str(path), found), *map(printable, said))
    return 1 if wrong else 0


def _wrong(found: Overview) -> list[str]:
    """What goes on, so that somebody has to act."""
    return [
        f"{each.destination} will never get {each.lost} entries, and loses more: they went before they had arrived,"
        " and nothing has arrived since"
        for each in found.destinations
        if each.loses
    ]


def _notes(found: Overview) -> list[str]:
    """What is past, and was told when it happened: nothing that is done now brings it back."""
    notes = [
        f"{each.destination} will never get {each.lost} entries: they went before they had arrived; it goes on since"
        for each in found.destinations
        if each.lost and not each.loses
    ]
    if found.last_start is not None and found.last_start.lost:
        notes.append(f"{found.last_start.lost} entries were lost in the last run: the disk did not take them in")
    return notes


def _document(path: str, found: Overview, wrong: list[str], notes: list[str]) -> dict[str, Any]:
    start = found.last_start
    return {
        "well": not wrong,
        "wrong": wrong,
        "notes": notes,
        "file": path,
        "site": found.site,
        "schema": found.schema,
        "size_bytes": found.size_bytes,
        "free_bytes": found.free_bytes,
        "records": found.counts.records,
        "events": found.counts.events,
        "oldest": time_text(found.oldest_ns),
        "newest": time_text(found.newest_ns),
        "tanks": list(found.tanks),
        "plans": found.plans,
        "papers": found.papers,
        "audit": found.audit,
        "starts": found.starts,
        "last_start": None
        if start is None
        else {
            "boot": start.boot,
            "version": start.version,
            "started": time_text(start.started_ns),
            "ended": time_text(start.ended_ns),
            "clean": start.is_clean,
            "lost": start.lost,
        },
        "destinations": [
            {
                "destination": each.destination,
                "waiting": each.waiting,
                "lost": each.lost,
                "loses": each.loses,
                "oldest_waiting": time_text(each.oldest_ns),
                "cursor_written": time_text(each.changed_ns),
            }
            for each in found.destinations
        ],
    }


def _lines(path: str, found: Overview) -> list[str]:
    counts = found.counts
    lines = [
        printable(f"{path}: ledger of site {found.site}, schema {found.schema}"),
        f"{found.size_bytes / 1e6:.1f} MB, of which {found.free_bytes / 1e6:.1f} MB are free to be used again",
        f"{counts.records:,} records of {len(found.tanks)} tanks, {counts.events:,} events, {found.plans} plans",
    ]
    if found.oldest_ns is not None and found.newest_ns is not None:
        span = age_text((found.newest_ns - found.oldest_ns) / 1e9)
        lines.append(f"from {time_text(found.oldest_ns)} to {time_text(found.newest_ns)}, {span}")
    if found.papers or found.audit:
        lines.append(f"{found.papers:,} papers, {found.audit:,} rows of the audit trail")
    start = found.last_start
    if start is not None:
        how = "and runs, or broke off" if start.ended_ns is None else "and ended" if start.is_clean else "and broke off"
        lines.append(f"started {found.starts} times, last {time_text(start.started_ns)} {how}")
    if not found.destinations:
        return [*lines, "no destination takes history"]
    return [*lines, *plain_lines(_grid(found, found.destinations))]


def _grid(found: Overview, destinations: tuple[DestinationOverview, ...]) -> Grid:
    columns = (
        Column("destination"),
        Column("waiting", right=True),
        Column("oldest waiting"),
        Column("lost", right=True),
        Column("cursor written"),
    )
    rows = tuple(
        (
            each.destination,
            f"{each.waiting:,}",
            time_text(each.oldest_ns) or "-",
            f"{each.lost:,}",
            time_text(each.changed_ns) or "-",
        )
        for each in destinations
    )
    return Grid(columns, rows)
