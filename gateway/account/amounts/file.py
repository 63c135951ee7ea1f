"""Pure: amounts out of a text of comma, semicolon or tab separated values: all of them, or none and every mistake.

The first line names the columns, in any order: `kind, source, product, amount, at, reference` are needed; `unit,
measure, ticket, tank, owner, why` may be there. The unit stands behind the number, in its own column, or in the heading
of the amount: `amount (m3)`. Times are ISO 8601, in the zone of the site where they have none.
"""

import csv
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from difflib import get_close_matches
from enum import StrEnum
from typing import NamedTuple, TypeVar

from gateway.account.amount import Amount, AmountKind, AmountSource
from gateway.account.amounts.cells import DecimalSign, amount_in, decimal_sign_of, instant_in
from gateway.account.amounts.entering import (
    MASSES,
    AmountRefusedError,
    Facts,
    KnownAmounts,
    amount_paper,
    beside_words,
    entered,
)
from gateway.account.commands import AccountRefusedError, EnterAmount
from gateway.account.paper import Outcome
from gateway.units.quantity import Dimension

__all__ = ["COLUMNS", "NEEDED", "AmountFileRefusedError", "Mistake", "Named", "import_amounts", "named_in"]

NEEDED = ("kind", "source", "product", "amount", "at", "reference")
COLUMNS = (*NEEDED, "unit", "measure", "ticket", "tank", "owner", "why")
_MOST_LINES = 20_000
_MOST_DIGITS = 15
"""Of a ticket's number: more of them no ledger can count."""
_MOST_TOLD = 300
_MOST_BESIDE = 20
"""Notes on amounts that count beside a ticket: what is longer nobody reads."""
_SEPARATORS = (";", "\t", ",")
_Code = TypeVar("_Code", bound=StrEnum)


class Mistake(NamedTuple):
    """One thing that is wrong, and what would be right."""

    line: int
    """From 1, as an editor counts."""
    column: str
    """Empty: of the whole line."""
    value: str
    text: str

    def __str__(self) -> str:
        where = f"line {self.line}" + (f", {self.column}" if self.column else "")
        value = _printable(self.value)
        return f"{where}: '{value}': {_printable(self.text)}" if value else f"{where}: {_printable(self.text)}"


class AmountFileRefusedError(AccountRefusedError):
    """Nothing of the text was taken in."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        count = f"{len(mistakes)} mistakes" if len(mistakes) > 1 else "one mistake"
        super().__init__(
            f"{count}, nothing was taken in:\n" + "\n".join(str(mistake) for mistake in mistakes),
            "put them right and give the whole file again: what is known already is not taken in twice",
        )
        self.mistakes = tuple(mistakes)


class Named(NamedTuple):
    """What a text speaks of, as far as it can be read: to fetch what is known of it."""

    documents: frozenset[tuple[str, str, str]]
    """Source, reference and product."""
    tickets: frozenset[int]


class _Header(NamedTuple):
    places: Mapping[str, int]
    unit: str
    """Of the heading of the amount; empty where it has none."""


class _MistakenError(Exception):
    """One cell that cannot be read: its column, and what would be right."""

    def __init__(self, column: str, text: str) -> None:
        super().__init__(text)
        self.column = column


def import_amounts(known: KnownAmounts, zone: tzinfo, text: str, *, by: str, now: datetime) -> Outcome:
    """What taking in all amounts of a text leaves behind; those that are known already, or were taken back, are left
    out and counted. Raises AmountFileRefusedError with every mistake."""
    header, lines, mistakes = _table(text)
    sign = decimal_sign_of(cells[header.places["amount"]] for _, cells in lines if len(cells) > header.places["amount"])
    facts, before = Facts(known), _by_document(known.amounts)
    reversed_ = {amount.reverses for amount in known.amounts}
    taken: list[Amount] = []
    seen: dict[tuple[str, str, str], int] = {}
    known_already = taken_back = 0
    for line, cells in lines:
        try:
            command = _command(header, cells, known, zone, sign, by)
            key = (command.source, command.reference, command.product)
            if key in seen:
                raise _MistakenError("reference", f"line {seen[key]} has it already; each document stands once")
            seen[key] = line
            earlier = _same(before.get(key, ()), command)
            if earlier is not None:
                taken_back += earlier.number in reversed_
                known_already += earlier.number not in reversed_
                continue
            amount = entered(facts, command, now)
            facts.take(amount)
            taken.append(amount)
        except _MistakenError as wrong_cell:
            mistakes.append(_mistake(header, line, cells, wrong_cell.column, str(wrong_cell)))
        except AmountRefusedError as refused:
            mistakes.append(_mistake(header, line, cells, refused.column, f"{refused}; {refused.hint}"))
    if mistakes:
        raise AmountFileRefusedError(sorted(mistakes))
    told = [f"{len(taken)} amounts taken in" if len(taken) != 1 else f"amount {taken[0].number} taken in"]
    if known_already:
        told.append(f"{known_already} known already, and not taken in again")
    if taken_back:
        told.append(f"{taken_back} had been taken back, and not taken in again: enter them by hand if they were right")
    beside = [words for amount in taken if amount.ticket is None for words in beside_words(facts, amount)]
    if len(beside) > _MOST_BESIDE:
        beside = [*beside[:_MOST_BESIDE], f"and {len(beside) - _MOST_BESIDE} more that count beside a ticket"]
    return Outcome(papers=tuple(amount_paper(amount) for amount in taken), lines=tuple(told), notes=tuple(beside))


def _printable(text: str) -> str:
    """What of a file is told again: no more than tells which cell is meant, and nothing that steers a terminal."""
    plain = "".join(character if character.isprintable() else "?" for character in text)
    return plain if len(plain) <= _MOST_TOLD else f"{plain[:_MOST_TOLD]}..."


def named_in(text: str) -> Named:
    """The documents and tickets that a text names. Raises AmountFileRefusedError where its columns cannot be read; what
    else is wrong with it is said by `import_amounts`."""
    header, lines, _ = _table(text)
    documents, tickets = set(), set()
    for _, cells in lines:
        given = {name: cells[place] for name, place in header.places.items() if place < len(cells)}
        documents.add(
            (given.get("source", "").lower().replace(" ", "_"), given.get("reference", ""), given.get("product", ""))
        )
        if _is_number(given.get("ticket", "")):
            tickets.add(int(given["ticket"]))
    return Named(frozenset(documents), frozenset(tickets))


def _table(text: str) -> tuple[_Header, list[tuple[int, list[str]]], list[Mistake]]:
    """Columns, the lines below them, and what could not be cut. Raises AmountFileRefusedError without columns."""
    rows, mistakes = _rows(text.removeprefix("\ufeff"))
    if not rows and not mistakes:
        empty = f"there is nothing in it; begin with a line of columns: {', '.join(NEEDED)}"
        mistakes.append(Mistake(1, "", "", empty))
    header, wrong = _header(rows[0]) if rows else (None, [])
    if header is None:
        raise AmountFileRefusedError(sorted([*mistakes, *wrong]))
    return header, rows[1:], mistakes


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) <= _MOST_DIGITS


def _rows(text: str) -> tuple[list[tuple[int, list[str]]], list[Mistake]]:
    """Lines that are not empty, with their numbers, cut into cells."""
    lines = text.splitlines()
    if len(lines) > _MOST_LINES:
        return [], [Mistake(_MOST_LINES + 1, "", "", f"more than {_MOST_LINES} lines; give it in parts")]
    first = next((line for line in lines if line.strip()), "")
    separator = max(_SEPARATORS, key=lambda each: sum(_heading(cell)[0] in COLUMNS for cell in first.split(each)))
    reader = csv.reader(lines, delimiter=separator, strict=True, skipinitialspace=True)
    rows: list[tuple[int, list[str]]] = []
    try:
        rows.extend((reader.line_num, cells) for each in reader if any(cells := [cell.strip() for cell in each]))
    except csv.Error as error:
        return rows, [
            Mistake(reader.line_num, "", "", f"{error}; a cell with quotation marks begins and ends with one")
        ]
    return rows, []


def _heading(cell: str) -> tuple[str, str]:
    """Name and unit of a column: `amount (m3)` or `amount [m3]`."""
    name = cell.strip().strip('"').strip()
    for begin, end in ("()", "[]"):
        if name.endswith(end) and begin in name:
            name, _, unit = name[:-1].partition(begin)
            return name.strip().lower(), unit.strip()
    return name.lower(), ""


def _header(row: tuple[int, list[str]]) -> tuple[_Header | None, list[Mistake]]:
    line, cells = row
    mistakes: list[Mistake] = []
    places: dict[str, int] = {}
    unit = ""
    for place, cell in enumerate(cells):
        name, of_cell = _heading(cell)
        if name not in COLUMNS:
            near = get_close_matches(name, COLUMNS, 1)
            what = f"did you mean '{near[0]}'?" if near else f"there are: {', '.join(COLUMNS)}"
            mistakes.append(Mistake(line, "", cell, f"there is no such column; {what}"))
        elif name in places:
            mistakes.append(Mistake(line, name, cell, "the column stands twice; once is right"))
        elif of_cell and name != "amount":
            mistakes.append(Mistake(line, name, cell, f"only the amount has a unit; write '{name}'"))
        else:
            places[name] = place
            unit = of_cell or unit
    mistakes += [
        Mistake(line, name, "", f"the column is missing; needed are: {', '.join(NEEDED)}")
        for name in NEEDED
        if name not in places
    ]
    return (None if mistakes else _Header(places, unit)), mistakes


def _command(
    header: _Header, cells: Sequence[str], known: KnownAmounts, zone: tzinfo, sign: DecimalSign, by: str
) -> EnterAmount:
    if len(cells) != len(header.places):
        raise _MistakenError(
            "",
            f"{len(cells)} cells, but {len(header.places)} columns; where a number has a decimal comma, put semicolons "
            "between the cells",
        )
    given = {name: cells[place] for name, place in header.places.items()}
    for name in NEEDED:
        if not given[name]:
            raise _MistakenError(name, "it is empty, and needed")
    kind, source = _code("kind", given["kind"], AmountKind), _code("source", given["source"], AmountSource)
    product = given["product"]
    if product not in known.measures:
        # Before its unit, of which nothing can be said then.
        have = ", ".join(sorted(known.measures)) or "none"
        raise _MistakenError("product", f"there is no product {product}; the site has: {have}")
    measure = given.get("measure", "") or known.measures.get(product, "gsv")
    ticket = given.get("ticket", "")
    if ticket and not _is_number(ticket):
        raise _MistakenError("ticket", "a ticket is a whole number, for example 12")
    try:
        value = amount_in(
            given["amount"],
            header.unit,
            given.get("unit", ""),
            Dimension.MASS if measure in MASSES else Dimension.VOLUME,
            sign,
        )
    except ValueError as error:
        raise _MistakenError("amount", str(error)) from None
    try:
        instant = instant_in(given["at"], zone)
    except ValueError as error:
        raise _MistakenError("at", str(error)) from None
    return EnterAmount(
        kind=kind,
        source=source,
        product=product,
        value=value,
        measure=measure,
        instant=instant,
        by=by,
        reference=given["reference"],
        ticket=int(ticket) if ticket else None,
        tank=given.get("tank", ""),
        owner=given.get("owner", ""),
        why=given.get("why", ""),
    )


def _code(column: str, text: str, codes: type[_Code]) -> _Code:
    try:
        return codes(text.lower().replace(" ", "_"))
    except ValueError:
        raise _MistakenError(column, f"one of: {', '.join(codes)}") from None


def _by_document(amounts: Sequence[Amount]) -> dict[tuple[str, str, str], list[Amount]]:
    """All that were ever entered, also those that were taken back."""
    found: dict[tuple[str, str, str], list[Amount]] = {}
    for amount in amounts:
        if amount.reverses is None:
            found.setdefault((amount.source, amount.reference, amount.product), []).append(amount)
    return found


def _same(earlier: Sequence[Amount], command: EnterAmount) -> Amount | None:
    """That which says the same: whoever entered it, and with whatever remark."""
    said = (command.kind, command.value, command.measure, command.instant)
    found = [amount for amount in earlier if (amount.kind, amount.value, amount.measure, amount.instant) == said]
    return found[-1] if found else None


def _mistake(header: _Header, line: int, cells: Sequence[str], column: str, text: str) -> Mistake:
    place = header.places.get(column, len(cells))
    return Mistake(line, column, cells[place] if place < len(cells) else "", text)
