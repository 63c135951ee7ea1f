"""The answer of `registers --dip`: what fits a dip, how sure that is, and what must be done before it is believed."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import orjson

from gateway.acquisition.register_map import ByteOrder, Table, ValueType
from gateway.commands.output import Column, Grid, plain_lines
from gateway.commissioning.dip_match import DipQuestion, Match, Measures
from gateway.errors import UsageError

__all__ = ["DIP_CAUTION", "MATCH_SCHEMA", "Earlier", "match_document", "match_lines", "read_earlier"]

MATCH_SCHEMA = "tank-gateway/dip-match/1"
DIP_CAUTION = (
    "Do not dip without a permit to work. Static: earth the tape, let the liquid relax after pumping or mixing.\n"
    "H2S and oxygen: test before the hatch is opened, stand upwind. Local codes and site procedure go first."
)
_LEAST_MOVE_M = 0.1
"""Two dips nearer to one another than this, or than twenty tolerances, do not tell a right match from a chance one."""


class Earlier:
    """The answer to an earlier dip, kept with --json."""

    def __init__(self, innage: float, matches: Sequence[Match]) -> None:
        self.innage = innage
        self.matches = matches

    def apart(self, question: DipQuestion) -> bool:
        """Whether the level has moved far enough for the second dip to decide."""
        return abs(self.innage - question.innage) >= max(_LEAST_MOVE_M, 20.0 * question.tolerance)


def read_earlier(file: str) -> Earlier:
    """Raises UsageError when the file is not the JSON of an earlier match."""
    try:
        kept = orjson.loads(Path(file).read_bytes())["dip_match"]
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
                entry["sign_open"],
            )
            for entry in kept["matches"]
        ]
        return Earlier(float(kept["innage"]), matches)
    except OSError as error:
        raise UsageError(f"--earlier: {file}: {(error.strerror or str(error)).lower()}") from error
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"--earlier: {file} is not the answer to an earlier dip",
            "keep one with `registers ... --dip ... --json > FILE`",
        ) from error


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
        for match in matches
    )
    lines = [f"{asked}: {count}", "", *plain_lines(Grid(columns, rows)), "", *_verdict(question, matches, earlier)]
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
                "evidence": match.strength.value,
                "sign_open": match.sign_open,
            }
            for match in matches
        ],
    }


def _proved(question: DipQuestion, matches: Sequence[Match], earlier: Earlier | None) -> bool:
    return len(matches) == 1 and earlier is not None and earlier.apart(question)


def _verdict(question: DipQuestion, matches: Sequence[Match], earlier: Earlier | None) -> list[str]:
    if _proved(question, matches, earlier):
        return ["Proved: the same one fits two dips at different levels."]
    if earlier is not None and not earlier.apart(question):
        moved = abs(earlier.innage - question.innage) * 1000
        return [
            f"Not proved: the level has moved only {moved:.0f} mm since the earlier dip, which decides nothing.",
            _second_dip(question),
        ]
    if len(matches) > 1:
        return ["Not proved: several fit, and this dip cannot tell them apart.", _second_dip(question)]
    return ["Not proved yet: one dip can be met by chance.", _second_dip(question)]


def _second_dip(question: DipQuestion) -> str:
    move = max(_LEAST_MOVE_M, 20.0 * question.tolerance)
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
