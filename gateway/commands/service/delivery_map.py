"""`delivery map`: the registers of a site, address by address, or the names of every figure wherever it goes out."""

import argparse
import csv
import sys
from io import StringIO
from pathlib import Path

from gateway.commands.new_file import write_new_file
from gateway.commands.output import note
from gateway.commands.service.site_argument import add_site, load
from gateway.delivery.figure_names import PLACES, QUALITIES, named
from gateway.delivery.registers.document import CAUTIONS, map_csv, map_markdown
from gateway.delivery.registers.plan import RegistersPlan
from gateway.errors import UsageError
from gateway.settings.site import SiteSettings

__all__ = ["add_arguments", "execute"]

_EPILOG = """Markdown is for people, CSV for programs: the file goes to whoever connects the control system. An address
counts from 0, as the protocol does; a number from 1, as many programs do. A tank keeps its addresses while its block
number stands in the site file. --of names tells what each figure, state and event is called in JSON, Prometheus,
Sparkplug, OPC UA, SQL and registers.
Monitoring only: not for control, not for custody transfer.
Example: tank-gateway delivery map site.yaml --out registers.md"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_site(parser)
    parser.add_argument("--of", choices=("registers", "names"), default="registers", help="registers unless given")
    parser.add_argument("--format", choices=("markdown", "csv"), default="markdown", help="markdown unless given")
    parser.add_argument(
        "--server", metavar="NAME", help="of which server of registers, where the site file has several"
    )
    parser.add_argument("--out", metavar="FILE", help="a new file, written whole or not at all; else standard output")


def execute(arguments: argparse.Namespace) -> int:
    settings = load(arguments.site)
    is_csv = arguments.format == "csv"
    if arguments.of == "names":
        text = _names_csv() if is_csv else _names_markdown()
    else:
        plan = _plan(settings, arguments.site, arguments.server)
        text = map_csv(plan) if is_csv else map_markdown(settings.name, plan)
    if arguments.out is None:
        sys.stdout.write(text)
        return 0
    write_new_file(Path(arguments.out), [text.encode()], "the map of another day is not overwritten")
    note(f"written: {arguments.out}")
    return 0


def _plan(settings: SiteSettings, file: str, name: str | None) -> RegistersPlan:
    plans = [each for each in settings.deliveries if isinstance(each, RegistersPlan)]
    if not plans:
        raise UsageError(f"{file} serves no registers", "give `delivery: {registers: {blocks: {TANK: 1}}}` in it")
    names = ", ".join(each.name for each in plans)
    if name is None:
        if len(plans) > 1:
            raise UsageError(f"{file} has several servers of registers", f"choose one by --server: {names}")
        return plans[0]
    chosen = next((each for each in plans if each.name == name), None)
    if chosen is None:
        raise UsageError(f"there is no server of registers '{name}'", f"one of {names}")
    return chosen


def _rows() -> list[list[str]]:
    return [[row.key, row.title, row.unit, *(row.names.get(place, "") for place in PLACES)] for row in named()]


_HEADINGS = ("key", "title", "unit", *PLACES)


def _names_csv() -> str:
    out = StringIO()
    rows = csv.writer(out)
    rows.writerow(_HEADINGS)
    rows.writerow(["", "quality", "", *(QUALITIES[place] for place in PLACES)])
    rows.writerows(_rows())
    return out.getvalue()


def _names_markdown() -> str:
    lines = ["# The same figure everywhere", "", *(f"> {caution}" for caution in CAUTIONS), ""]
    lines += [
        "SI everywhere but in Prometheus, which has masses and densities in g. An empty place: not told there.",
        "",
        "How good a figure is:",
        "",
        *(f"- {place}: {QUALITIES[place]}" for place in PLACES),
        "",
        f"| {' | '.join(_HEADINGS)} |",
        f"|{'---|' * len(_HEADINGS)}",
        *(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |" for row in _rows()),
    ]
    return "\n".join(lines) + "\n"
