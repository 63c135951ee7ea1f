"""The answer of `registers --dip`: what fits a dip, how sure that is, and what must be done before it is believed."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from gateway.acquisition.signals.register_map import ByteOrder, ValueType
from gateway.commands.output import Column, Grid, plain_lines
from gateway.commissioning.dip_match import SCALES, DipQuestion, Match, Measures, copies, told_apart
from gateway.errors import UsageError
from gateway.files import UnreadableError, read_bytes
from gateway.modbus.tables import Table

__all__ = ["DIP_CAUTION", "MATCH_SCHEMA", "Earlier", "match_document", "match_lines", "read_earlier"]

MATCH_SCHEMA = "tank-gateway/dip-match/1"
DIP_CAUTION = (
    "Do not dip without a permit to work. Static: earth the tape, let the liquid relax after pumping or mixing.\n"
    "H2S and oxygen: test before the hatch is opened, stand upwind. Local codes and site procedure go first."
)
_LARGEST_ANSWER = 100_000_000
"""Every way to read all registers of a device, several hundred bytes each."""
_SHOWN = 20
"""Rows at most: more would only say that the dip tells nothing."""
_BY_CHANCE = (
    "By chance one dip of 4 mm fits something in a third of devices with 125 registers, two dips at different levels "
    "in less than one in a thousand."
)
"""Measured over seeded devices: `make bench`, dip_matches."""


class Earlier(NamedTuple):
    """The answer to an earlier dip, kept with --json."""

    question: DipQuestion
    matches: Sequence[Match]
    device: tuple[str, int]
    """Address and unit that were asked."""


def read_earlier(file: str, device: tuple[str, int]) -> Earlier:
    """Raises UsageError when the file is not the JSON of an earlier match, or of another `device` (address, unit)."""
    try:
        document = orjson.loads(read_bytes(Path(file), _LARGEST_ANSWER))
        kept, asked = document["dip_match"], (document["address"], document["unit"])
        if kept["schema"] != MATCH_SCHEMA:
            raise ValueError(kept["schema"])
        matches = [
            Match(
                Table(entry["table"]),
                entry["address"],
                ValueType(entry["type"]),
                ByteOrder(entry["order"]),
                entry["counts"],
                Measures(entry["measures"]),
                entry["innage"],
                entry["difference"],
                entry["chance"],
                entry["step"],
                entry["sign_open"],
            )
            for entry in kept["matches"]
        ]
        earlier = Earlier(DipQuestion(float(kept["innage"]), float(kept["tolerance"])), matches, asked)
    except UnreadableError as error:
        raise UsageError(f"--earlier: {error}") from error
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"--earlier: {file} is not the answer to an earlier dip",
            "keep one with `registers ... --dip ... --json > FILE`",
        ) from error
    if asked != device:
        raise UsageError(
            f"--earlier: {file} is of {asked[0]} unit {asked[1]}, and {device[0]} unit {device[1]} is asked now",
            "two dips prove something of one device only",
        )
    return earlier


def match_lines(question: DipQuestion, matches: Sequence[Match], earlier: Earlier | None) -> list[str]:
    asked = f"dip {question.innage:.4f} m, tolerance {question.tolerance * 1000:g} mm"
    if not matches:
        return [f"{asked}: nothing fits", *_nothing_fits(question), "", DIP_CAUTION]
    count = "one way to read these words fits" if len(matches) == 1 else f"{len(matches)} ways to read these words fit"
    columns = (
        Column("at"),
        Column("type"),
        Column("order"),
        Column("counts"),
        Column("as"),
        Column("innage m", True),
        Column("off mm", True),
        Column("evidence"),
    )
    rows = tuple(
        (
            f"{match.table.value.removesuffix('s').replace('_', ' ')} {match.address}",
            _type_words(match),
            match.order.value if match.type.registers > 1 or match.order is not ByteOrder.ABCD else "-",
            match.counts,
            match.measures.value,
            f"{match.innage:.4f}",
            f"{match.difference * 1000:+z.1f}",
            match.strength.value,
        )
        for match in matches[:_SHOWN]
    )
    lines = [
        f"{asked}: {count}",
        "",
        *plain_lines(Grid(columns, rows)),
        *_more(matches, question),
        "",
        *_verdict(question, matches, earlier),
    ]
    return [
        *lines,
        "",
        "for the site file, if it is the first:",
        f"  {_signal_text(matches[0], question)}",
        "",
        DIP_CAUTION,
    ]


def match_document(question: DipQuestion, matches: Sequence[Match], earlier: Earlier | None) -> dict[str, Any]:
    return {
        "schema": MATCH_SCHEMA,
        "innage": question.innage,
        "tolerance": question.tolerance,
        "proved": _proved(question, matches, earlier),
        "matches": [
            {
                "table": match.table.value,
                "address": match.address,
                "type": match.type.value,
                "order": match.order.value,
                "counts": match.counts,
                "measures": match.measures.value,
                "innage": match.innage,
                "difference": match.difference,
                "chance": match.chance,
                "step": match.step,
                "evidence": match.strength.value,
                "sign_open": match.sign_open,
            }
            for match in matches
        ],
    }


def _proved(question: DipQuestion, matches: Sequence[Match], earlier: Earlier | None) -> bool:
    if earlier is None or not matches or not told_apart(question, earlier.question):
        return False
    return len(copies(matches, earlier.matches)) == 1


def _more(matches: Sequence[Match], question: DipQuestion) -> list[str]:
    if len(matches) <= _SHOWN:
        return []
    lines = [f"... and {len(matches) - _SHOWN:,} more, which --json gives."]
    if abs(question.innage) < _NEAR_ZERO_M:
        lines.append("So near to zero every register that holds nothing fits: dip when there is more in the tank.")
    return lines


_NEAR_ZERO_M = 0.1


def _verdict(question: DipQuestion, matches: Sequence[Match], earlier: Earlier | None) -> list[str]:
    if earlier is not None and _proved(question, matches, earlier):
        if len(matches) == 1:
            return ["Proved: the same one fits two dips at different levels.", _BY_CHANCE]
        text = "Proved: these are copies of one value, which fits two dips at different levels; take any of them."
        return [text, _BY_CHANCE]
    if earlier is not None and not told_apart(question, earlier.question):
        moved = abs(earlier.question.innage - question.innage) * 1000
        both = (earlier.question.tolerance + question.tolerance) * 1000
        return [
            f"Not proved: the level has moved only {moved:.0f} mm since the earlier dip, with tolerances of "
            f"{both:.0f} mm together, which decides nothing.",
            _second_dip(question),
        ]
    if len(matches) > 1:
        return ["Not proved: several fit, and this dip cannot tell them apart.", _BY_CHANCE, _second_dip(question)]
    return ["Not proved yet: one dip can be met by chance.", _BY_CHANCE, _second_dip(question)]


def _second_dip(question: DipQuestion) -> str:
    move = max(0.1, 20.0 * question.tolerance)
    return (
        f"A second dip with the level at least {move:g} m higher or lower must decide: keep this answer with "
        "--json > FILE, then give --earlier FILE."
    )


def _nothing_fits(question: DipQuestion) -> list[str]:
    lines = [
        "Look at: the unit number and the table (holding or input registers); the addresses (a manual's 40001 is "
        "holding register 0);",
        "a gauge zero that is not the datum of the dip (datum plate, tank bottom): the same difference in every dip;",
        "a level that moved between dip and read.",
        f"Tried as counts of {', '.join(SCALES)}, in every type and order.",
    ]
    if question.reference_height is None:
        lines.append("Ullage was not tried: give --reference-height.")
    if question.span is None:
        lines.append("A current loop was not tried: give --span LOW HIGH.")
    return lines


def _type_words(match: Match) -> str:
    return f"{match.type} or {match.type.value.removeprefix('u')}" if match.sign_open else match.type.value


def _signal_text(match: Match, question: DipQuestion) -> str:
    number, unit = match.counts.split()
    order = "" if match.order is ByteOrder.ABCD else f", order: {match.order}"
    scale = "" if number == "1" else f", scale: {number}"
    loop = ""
    if question.span is not None and unit in ("uA", "mA"):
        low, high = question.span
        loop = f", current_loop: {{low: {low:g} m, high: {high:g} m}}"
    return (
        f"{match.measures}: {{table: {match.table}, address: {match.address}, type: {match.type}{order}{scale}, "
        f"unit: {unit}{loop}}}"
    )
