"""What people may do to a transfer, as it is typed: `tank-gateway transfers start receipt --into TK-11`."""

import argparse
from collections.abc import Callable, Mapping

from gateway.account.transfer import TransferKind
from gateway.commands.typed_act import Request, TypedAct
from gateway.errors import UsageError
from gateway.settings.reading.validation import suggestion

__all__ = ["ACTS", "PROCEDURE"]

PROCEDURE = "A screen value never authorises opening a valve: follow site procedure."
"""Said wherever somebody begins to move something."""

Add = Callable[[argparse.ArgumentParser], None]

KINDS = tuple(kind.value.replace("_", "-") for kind in TransferKind)


def _kind(text: str) -> str:
    word = text.lower().replace("_", "-")
    if word not in KINDS:
        raise UsageError(f"'{text}' is no kind of transfer", suggestion(word, KINDS))
    return word.replace("-", "_")


def _joined(words: list[str] | None) -> str | None:
    return " ".join(words) if words else None


def _number(text: str) -> str:
    if not text.isdecimal() or not text.isascii() or not text.strip("0"):
        raise UsageError(f"'{text}' is no number of a transfer", "`tank-gateway transfers` lists them, for example 3")
    return text


def _tanks(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--from", metavar="TANK", dest="source", help="tank that it comes out of")
    parser.add_argument("--into", metavar="TANK", dest="target", help="tank that it goes into")


def _described(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--amount", metavar="AMOUNT", nargs="+", help="what was ordered, for example 1200 m3 or 850 t")
    parser.add_argument("--measure", metavar="MEASURE", help="on which basis: gsv (unless given), tov, mass and so on")
    parser.add_argument("--begins", metavar="TIME", help="with its zone, for example 2026-11-28T06:30+01:00")
    parser.add_argument("--partner", metavar="NAME", help="ship, truck, pipeline, supplier or customer")
    parser.add_argument("--reference", metavar="TEXT", help="nomination, order or bill of lading")
    parser.add_argument("--owner", metavar="NAME", help="whose product it is")


def _read_described(arguments: argparse.Namespace) -> Request:
    return {
        "amount": _joined(arguments.amount),
        "measure": None if arguments.measure is None else arguments.measure.lower().replace("-", "_"),
        "begins": arguments.begins,
        "partner": arguments.partner,
        "reference": arguments.reference,
        "owner": arguments.owner,
    }


def _read_tanks(arguments: argparse.Namespace) -> Request:
    return {"source": arguments.source, "target": arguments.target}


def _add_plan(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", metavar="KIND", help=f"one of {', '.join(KINDS)}")
    _tanks(parser)
    _described(parser)


def _read_plan(arguments: argparse.Namespace) -> Request:
    return {"kind": _kind(arguments.kind), **_read_tanks(arguments), **_read_described(arguments)}


def _add_start(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", metavar="NUMBER|KIND", help=f"of a planned one, or at once: {', '.join(KINDS)}")
    _tanks(parser)
    _described(parser)


def _read_start(arguments: argparse.Namespace) -> Request:
    known = arguments.what.isdecimal()
    what = {"transfer": _number(arguments.what)} if known else {"kind": _kind(arguments.what)}
    return {**what, **_read_tanks(arguments), **_read_described(arguments)}


def _one(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("number", metavar="NUMBER", help="of the transfer")


def _read_one(arguments: argparse.Namespace) -> Request:
    return {"transfer": _number(arguments.number)}


def _add_confirm(parser: argparse.ArgumentParser) -> None:
    _one(parser)
    parser.add_argument("kind", metavar="KIND", nargs="?", help=f"what it is: {', '.join(KINDS)}")
    _tanks(parser)
    _described(parser)


def _read_confirm(arguments: argparse.Namespace) -> Request:
    kind = None if arguments.kind is None else _kind(arguments.kind)
    return {**_read_one(arguments), "kind": kind, **_read_tanks(arguments), **_read_described(arguments)}


def _add_change(parser: argparse.ArgumentParser) -> None:
    _one(parser)
    _described(parser)


def _read_change(arguments: argparse.Namespace) -> Request:
    told = {**_read_one(arguments), **_read_described(arguments)}
    if all(value is None for key, value in told.items() if key != "transfer"):
        raise UsageError("nothing to change was given", "give for example --amount 1200 m3 or --reference BL-2041")
    return told


def _add_reverse(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("number", metavar="TICKET", help="number of the ticket")
    parser.add_argument("--kind", metavar="KIND", help=f"of the ticket in its place: {', '.join(KINDS)}")
    parser.add_argument("--partner", metavar="NAME", help="of the ticket in its place")
    parser.add_argument("--reference", metavar="TEXT", help="of the ticket in its place")
    parser.add_argument("--owner", metavar="NAME", help="of the ticket in its place")


def _read_reverse(arguments: argparse.Namespace) -> Request:
    return {
        "ticket": _number(arguments.number),
        "kind": None if arguments.kind is None else _kind(arguments.kind),
        "partner": arguments.partner,
        "reference": arguments.reference,
        "owner": arguments.owner,
    }


ACTS: Mapping[str, TypedAct] = {
    "plan": TypedAct(
        "plan-transfer",
        "announce a transfer that is to come",
        "It gets a number and waits. Nothing is measured until somebody starts it.",
        'plan receipt --into TK-11 --amount 1000 m3 --partner "MT Samphire" --reference BL-2041',
        _add_plan,
        _read_plan,
    ),
    "start": TypedAct(
        "start-transfer",
        "begin a transfer: a planned one by its number, or one that nobody has planned by its kind",
        "The newest sheet of each of its tanks at rest becomes its opening. Start it before anything flows.",
        "start 3",
        _add_start,
        _read_start,
        moves=True,
    ),
    "confirm": TypedAct(
        "confirm-transfer",
        "say what a movement is that nobody had announced",
        "The gateway proposed it when a tank moved. Confirmed it runs; its opening stays that before the movement.",
        'confirm 4 dispatch --partner "road cars" --reference LOAD-118',
        _add_confirm,
        _read_confirm,
    ),
    "change": TypedAct(
        "change-transfer",
        "correct what is said of a transfer that is not closed",
        "What was there before stays in its marks and in the audit trail.",
        "change 3 --amount 1020 m3",
        _add_change,
        _read_change,
    ),
    "pause": TypedAct(
        "pause-transfer",
        "say that a transfer is held up",
        "Its tanks stay its own; the opening stays.",
        "pause 3",
        _one,
        _read_one,
    ),
    "resume": TypedAct(
        "resume-transfer",
        "go on with a paused transfer",
        "Nothing new is measured.",
        "resume 3",
        _one,
        _read_one,
        moves=True,
    ),
    "finish": TypedAct(
        "finish-transfer",
        "say that nothing flows any more",
        "Its tanks come to rest, then their sheets close it by themselves, and it gets a ticket.",
        "finish 3",
        _one,
        _read_one,
    ),
    "close": TypedAct(
        "close-transfer",
        "close a transfer now, before it has settled, or in spite of what holds its ticket back",
        "The newest sheets close it and it gets a ticket, which is Uncertain where something held it back and says so.",
        'close 3 --why "the ship has sailed; dip agrees within 3 mm"',
        _one,
        _read_one,
    ),
    "cancel": TypedAct(
        "cancel-transfer",
        "say that there was no such transfer, or is not to be",
        "It gets no ticket. What moved meanwhile counts as nobody's and stays in the balance of the day.",
        'cancel 4 --why "pump test, all came back"',
        _one,
        _read_one,
        needs_why=True,
    ),
    "reverse": TypedAct(
        "reverse-ticket",
        "take a ticket back; with --kind, --partner, --reference or --owner another is made in its place",
        "The ticket stays as it is: another one reverses it, and amounts that name it stay for you to look at.",
        'reverse 12 --reference BL-2042 --why "wrong bill of lading"',
        _add_reverse,
        _read_reverse,
        needs_why=True,
    ),
}
"""By the word that is typed."""
