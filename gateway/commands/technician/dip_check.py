"""`dip-check`: three hand dips against the gauge, judged and recorded. An offset change is proposed, never applied."""

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from gateway.calculation.level.reference_height import grown_height
from gateway.calculation.plan import GaugeKind, GaugePlan, TankPlan
from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.commands.output import Column, Grid, plain_lines, write
from gateway.commands.service.site_argument import add_site, load, tank_of
from gateway.commands.technician.device import length_of, quantity_of
from gateway.commands.technician.dip_match_page import DIP_CAUTION
from gateway.commands.technician.gauge_source import GaugeNow, GaugeReader, gauge_of, shell_temperature_of
from gateway.commands.technician.line_guard import add_guard
from gateway.commands.technician.verification_record import (
    NOT_FISCAL,
    check_folder,
    file_stem,
    instant_text,
    show_and_keep,
)
from gateway.commissioning.dip_record import DIPS_NEEDED, TOLERANCES_M, DipVerdict, Verdict, judge_dips
from gateway.display import printable
from gateway.errors import LimitError, UsageError
from gateway.settings.site import SiteSettings
from gateway.settings.tanks.plans import TankSetup
from gateway.units.quantity import Dimension

__all__ = ["add_arguments", "execute"]

_SCHEMA = "tank-gateway/dip-check/1"

_EPILOG = f"""Dip a tank at rest, three times, each within 3 mm of the others. On a terminal the dips may be left away:
they are asked for one by one, and the gauge is read at each.
Reads only: where a running gateway polls the gauge, its newest words are taken instead of asking a second time.
Example: tank-gateway dip-check demo TK-101 --dip "9.412 m" --dip "9.413 m" --dip "9.411 m"
           --tape T-14 --by "A. Smith" --witness "B. Jones" --tolerance fine
{DIP_CAUTION}"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_site(parser)
    parser.add_argument("tank", metavar="TANK", help="tag of the tank in the site file")
    dips = parser.add_mutually_exclusive_group()
    dips.add_argument("--dip", metavar="LENGTH", action="append", help="innage by hand above the datum; give it thrice")
    dips.add_argument("--ullage", metavar="LENGTH", action="append", help="or: surface below the reference point")
    parser.add_argument(
        "--shell-temperature",
        metavar="QUANTITY",
        help="of the shell, which moves the reference point; default: as the running gateway has it",
    )
    parser.add_argument("--tape", metavar="ID", required=True, help="the tape, by its own tag")
    parser.add_argument("--by", metavar="NAME", required=True, help="who dips")
    parser.add_argument("--witness", metavar="NAME", required=True, help="who looks on")
    parser.add_argument(
        "--tolerance", choices=list(TOLERANCES_M), required=True, help="fine: 4 mm; inventory: 25 mm (common practice)"
    )
    parser.add_argument("--folder", metavar="DIR", default=".", help="where the record goes; default here")
    parser.add_argument("--json", action="store_true", help="print the record for a program")
    parser.set_defaults(timeout=None)
    add_guard(parser)


def execute(arguments: argparse.Namespace) -> int:
    site = load(arguments.site)
    setup = tank_of(site, arguments.tank)
    if arguments.witness.strip().lower() == arguments.by.strip().lower():
        raise UsageError(f"--witness: {arguments.witness} is the one who dips", "a witness is someone else")
    check_folder(arguments.folder)
    lengths = _given(arguments)
    reader = gauge_of(arguments, site, setup)
    height = _height_now(arguments, site, setup, reader)
    given = [_innage(setup, each, height.metres, ullage=bool(arguments.ullage)) for each in lengths]
    begun = datetime.now(UTC)
    if not arguments.json:
        write(DIP_CAUTION, "")
    dips: list[float]
    if given:
        dips, gauge = given, [reader.read(height.metres) for _ in given]
    else:
        dips, gauge = _asked(setup, reader, height.metres)
    verdict = judge_dips(dips, [now.reading for now in gauge], TOLERANCES_M[arguments.tolerance])
    document = _document(arguments, site, setup, begun, dips, gauge, verdict, height)
    lines = _lines(document, dips, gauge, height.words)
    show_and_keep(arguments, file_stem("dip-check", arguments.tank, begun), document, lines)
    return 0 if verdict.verdict is Verdict.PASSED else 1


class _Height(NamedTuple):
    """The reference height as it is now."""

    metres: float
    shell_c: float | None
    """degC; None where the shell does not move it here."""
    words: tuple[str, ...]


def _height_now(arguments: argparse.Namespace, site: SiteSettings, setup: TankSetup, reader: GaugeReader) -> _Height:
    """By the temperature of the shell, where dips and gauge count from different ends of it (API MPMS 3.1B): else its
    growth is in neither or in both. Raises UsageError where it is needed and not known."""
    plan = setup.plan
    shell, height_m = plan.shell, plan.reference_height_m
    typed = arguments.shell_temperature
    shell_c = None if typed is None else quantity_of("--shell-temperature", typed, Dimension.TEMPERATURE)
    gauge_by_ullage = isinstance(plan.gauge, GaugePlan) and plan.gauge.kind is GaugeKind.ULLAGE
    if shell is None or bool(arguments.ullage) is gauge_by_ullage:
        return _Height(height_m, None, ())
    if shell_c is None and reader.words.gateway is not None:
        shell_c = shell_temperature_of(reader.words.gateway, site.name, plan.tank)
    moves_mm = height_m * shell.linear_coefficient_per_c * 10.0 * 1000.0
    if shell_c is None:
        raise UsageError(
            "dips and gauge count from different ends of a shell that moves the reference point by "
            f"{moves_mm:.1f} mm for each 10 degC (API MPMS 3.1B), and its temperature is not known",
            "give --shell-temperature '31 degC', or dip as the gauge measures",
        )
    table_c = shell.table_temperature_c
    try:
        grown_m = grown_height(height_m, shell.linear_coefficient_per_c, shell_c, table_c)
    except LimitError as error:
        raise UsageError(f"--shell-temperature: {error}", "give that of the steel, such as '31 degC'") from error
    words = (
        f"reference height {grown_m:.4f} m with the shell at {shell_c:.1f} degC: {height_m:.4f} m at {table_c:g} degC"
    )
    return _Height(grown_m, shell_c, (f"{words}, API MPMS 3.1B",))


def _given(arguments: argparse.Namespace) -> list[float]:
    """Innages or ullages from the options; empty when they are to be asked for. Raises UsageError."""
    texts: Sequence[str] = arguments.dip or arguments.ullage or ()
    if not texts:
        if not sys.stdin.isatty():
            raise UsageError(
                "no dip was given, and there is no terminal to ask on", "give --dip (or --ullage) three times"
            )
        return []
    if len(texts) != DIPS_NEEDED:
        raise UsageError(f"{len(texts)} dips were given", f"give --dip (or --ullage) {DIPS_NEEDED} times")
    option = "--dip" if arguments.dip else "--ullage"
    return [length_of(option, text) for text in texts]


def _innage(setup: TankSetup, length: float, height: float, *, ullage: bool) -> float:
    if not 0.0 <= length <= height:
        raise UsageError(
            f"a dip of {length:g} m is not within tank {setup.plan.tank}", f"its reference height is {height:.6g} m"
        )
    return height - length if ullage else length


def _asked(setup: TankSetup, reader: GaugeReader, height_m: float) -> tuple[list[float], list[GaugeNow]]:
    dips: list[float] = []
    gauge: list[GaugeNow] = []
    while len(dips) < DIPS_NEEDED:
        above = _datum(setup.plan)
        above = printable(f" above the {above}") if above else ""
        sys.stdout.write(f"Dip {len(dips) + 1} of {DIPS_NEEDED}, innage{above} with its unit: ")
        sys.stdout.flush()
        text = sys.stdin.readline()
        if not text:
            raise UsageError("the input ended before the last dip", f"give {DIPS_NEEDED} dips")
        try:
            dip = _innage(setup, length_of("dip", text.strip()), height_m, ullage=False)
        except UsageError as error:
            write(f"{error}; {error.hint}" if error.hint else str(error))
            continue
        dips.append(dip)
        gauge.append(reader.read(height_m))
    return dips, gauge


def _datum(plan: TankPlan) -> str:
    """Where the capacity table counts from, in its own words; empty where it does not say."""
    table = plan.capacity
    if not isinstance(table, CapacityTable) or table.datum == "not stated":
        return ""
    return table.zero


def _document(
    arguments: argparse.Namespace,
    site: SiteSettings,
    setup: TankSetup,
    begun: datetime,
    dips: Sequence[float],
    gauge: Sequence[GaugeNow],
    verdict: DipVerdict,
    height: _Height,
) -> dict[str, Any]:
    plan = setup.plan
    return {
        "schema": _SCHEMA,
        "site": site.name,
        "simulated": site.simulated,
        "tank": plan.tank,
        "time": instant_text(begun),
        "by": arguments.by,
        "witness": arguments.witness,
        "tape": arguments.tape,
        "datum": _datum(plan) or None,
        "reference_height": height.metres,
        "shell_temperature": height.shell_c,
        "dips": list(dips),
        "gauge": [
            {
                "time": instant_text(now.time),
                "level": now.reading.level,
                "quality": now.reading.quality.word,
                "reason": now.reading.reason or None,
                "raw": list(now.raw),
                "words_from": now.words_from,
            }
            for now in gauge
        ],
        "tolerance": {"name": arguments.tolerance, "metres": TOLERANCES_M[arguments.tolerance]},
        "mean_dip": verdict.mean_dip,
        "dip_spread": verdict.spread,
        "mean_gauge": verdict.mean_gauge,
        "difference": verdict.difference,
        "verdict": verdict.verdict.value,
        "why": verdict.why,
        "offset": plan.gauge.offset_m if isinstance(plan.gauge, GaugePlan) else None,
        "proposed_offset_change": verdict.proposed_offset_change,
        "applied": False,
    }


def _lines(
    document: dict[str, Any], dips: Sequence[float], gauge: Sequence[GaugeNow], height: Sequence[str]
) -> list[str]:
    columns = (
        Column("dip m", True),
        Column("gauge m", True),
        Column("raw words"),
        Column("quality"),
        Column("gauge read at"),
    )
    rows = []
    for number, dip in enumerate(dips):
        now = gauge[number]
        rows.append(
            (
                f"{dip:.4f}",
                "-" if now.reading.level is None else f"{now.reading.level:.4f}",
                " ".join(f"{word:04X}" for word in now.raw),
                now.reading.quality.word,
                instant_text(now.time),
            )
        )
    tolerance = document["tolerance"]
    return [
        f"Dip check of {document['tank']}, site {document['site']}",
        *(["SIMULATED: no real gauge"] if document["simulated"] else []),
        printable(
            f"{document['time']}, dipped by {document['by']}, witness {document['witness']}, tape {document['tape']}"
        ),
        *_zero(document["datum"]),
        *height,
        f"words from {gauge[0].words_from}; tolerance {tolerance['name']}, {tolerance['metres'] * 1000:g} mm",
        "",
        *plain_lines(Grid(columns, tuple(rows))),
        "",
        f"mean dip {document['mean_dip']:.4f} m, spread {document['dip_spread'] * 1000:.1f} mm",
        f"{document['verdict'].upper()}: {document['why']}",
        *_proposal(document),
        NOT_FISCAL,
    ]


def _zero(datum: str | None) -> list[str]:
    return [printable(f"dips and gauge above the zero of the capacity table: {datum}")] if datum else []


def _proposal(document: dict[str, Any]) -> list[str]:
    change = document["proposed_offset_change"]
    if change is None:
        return []
    lines = [
        "Before any offset is changed: look at the reference point, the datum plate, the tape's own error and "
        "temperature, and dip again.",
    ]
    if document["offset"] is None:
        return [*lines, "This level comes from a pressure: look at density, nozzle height and zero."]
    now, then = document["offset"] * 1000, (document["offset"] + change) * 1000
    return [
        *lines,
        f"Proposed, not applied: offset from {now:g} mm to {then:.1f} mm in the site file, once it is approved.",
    ]
