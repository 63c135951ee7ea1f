"""What people enter into the books, as it is typed: `tank-gateway stock amount dispatch rack diesel 212.4 m3`."""

import argparse
from collections.abc import Mapping
from pathlib import Path

from gateway.account.amount import AmountKind, AmountSource
from gateway.account.amounts.file import NEEDED, AmountFileRefusedError, named_in
from gateway.commands.typed_act import Request, TypedAct
from gateway.errors import UsageError
from gateway.files import UnreadableError, read_text
from gateway.settings.reading.validation import suggestion

__all__ = ["ACTS"]


_KINDS = tuple(kind.value.replace("_", "-") for kind in AmountKind)
_LARGEST_BYTES = 10_000_000
"""Of a file of amounts that is looked at."""
_AT_ONCE = 50_000
"""Characters of it: the door of the gateway takes a little more at once."""
_SOURCES = tuple(source.value for source in AmountSource)


def _one_of(text: str, known: tuple[str, ...], what: str) -> str:
    word = text.lower().replace("_", "-")
    if word not in known:
        raise UsageError(f"'{text}' is no {what}", suggestion(word, known))
    return word.replace("-", "_")


def _number(text: str, what: str) -> str:
    if not text.isdecimal() or not text.isascii() or not text.strip("0"):
        raise UsageError(f"'{text}' is no number of {what}", "give for example 12")
    return text


def _add_amount(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", metavar="KIND", help=f"one of {', '.join(_KINDS)}")
    parser.add_argument("source", metavar="SOURCE", help=f"who measured it: {', '.join(_SOURCES)}")
    parser.add_argument("product", metavar="PRODUCT", help="as the site file names it")
    parser.add_argument("amount", metavar="AMOUNT", nargs="+", help="for example 212.4 m3 or 27.15 t")
    parser.add_argument(
        "--measure",
        metavar="MEASURE",
        required=True,
        help="on which basis: gsv, nsv, tov, mass, weight_in_air and so on",
    )
    parser.add_argument("--at", metavar="TIME", help="when it was moved, with its zone; now unless given")
    parser.add_argument(
        "--reference", metavar="TEXT", help="number of the document: the same one is not taken in twice"
    )
    parser.add_argument(
        "--ticket", metavar="NUMBER", help="ticket of the same movement: then the document counts for it"
    )
    parser.add_argument("--tank", metavar="TANK", help="where it came from or went to, if that is known")
    parser.add_argument("--owner", metavar="NAME", help="whose product it is")


def _read_amount(arguments: argparse.Namespace) -> Request:
    return {
        "kind": _one_of(arguments.kind, _KINDS, "kind of amount"),
        "source": _one_of(arguments.source, _SOURCES, "source of an amount"),
        "product": arguments.product,
        "amount": " ".join(arguments.amount),
        "measure": arguments.measure.lower().replace("-", "_"),
        "at": arguments.at,
        "reference": arguments.reference,
        "ticket": None if arguments.ticket is None else _number(arguments.ticket, "a ticket"),
        "tank": arguments.tank,
        "owner": arguments.owner,
    }


def _add_import(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE", type=Path, help="text with commas, semicolons or tabs between its cells"
    )


def _read_import(arguments: argparse.Namespace) -> Request:
    try:
        text = read_text(arguments.file, _LARGEST_BYTES)
        if len(text) > _AT_ONCE:
            raise UsageError(
                f"{arguments.file}: has {len(text)} characters, more than {_AT_ONCE}",
                "give it in parts, each with the line of columns: what is known already is not taken in twice",
            )
        named_in(text)
    except UnreadableError as error:
        raise UsageError(str(error)) from None
    except AmountFileRefusedError as error:
        raise UsageError(f"{arguments.file}: {error}", f"needed are the columns {', '.join(NEEDED)}") from None
    return {"text": text}


def _add_reverse(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("number", metavar="AMOUNT", help="number of the amount")


def _read_reverse(arguments: argparse.Namespace) -> Request:
    return {"amount": _number(arguments.number, "an amount")}


def _add_close(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "day", metavar="DAY", nargs="?", help="for example 2026-11-27; the one that ended last unless given"
    )


def _read_close(arguments: argparse.Namespace) -> Request:
    return {"day": arguments.day}


ACTS: Mapping[str, TypedAct] = {
    "amount": TypedAct(
        "amount",
        "enter what somebody else measured: a meter, a rack, a ship, a road car",
        "It counts in the book of the day on which it was moved. If that day is closed, it gets another revision.",
        "amount dispatch rack diesel 212.4 m3 --measure gsv --reference LOAD-118 --ticket 2",
        _add_amount,
        _read_amount,
    ),
    "import": TypedAct(
        "import-amounts",
        f"enter all amounts of a file: its first line names the columns {', '.join(NEEDED)}",
        "All of it is taken in, or nothing and every mistake is named. What is known already is not taken in twice.",
        "import rack.csv",
        _add_import,
        _read_import,
    ),
    "reverse": TypedAct(
        "reverse-amount",
        "take an amount back",
        "The amount stays as it is: another one takes it back, and the days that it was in get another revision.",
        'reverse 12 --why "entered twice"',
        _add_reverse,
        _read_reverse,
        needs_why=True,
    ),
    "close": TypedAct(
        "close-day",
        "close a day that has ended, again where something came late",
        "The closing stock is that of the boundary, not of now. What was closed before stays as it was.",
        'close 2026-11-27 --why "the rack\'s figures came late"',
        _add_close,
        _read_close,
    ),
}
"""By the word that is typed."""
