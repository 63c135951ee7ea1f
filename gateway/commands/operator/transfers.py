"""`transfers`: what is moved at a site, from the plan to the ticket; and what people say of it."""

import argparse
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from gateway.account.ticket import TicketLink, taken_back_words
from gateway.account.transfer import Direction, Mark, MarkKind, Planned, TransferKind, TransferPhase
from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.door_client import asked, tell_answer
from gateway.commands.operator.reference_line import reference_line
from gateway.commands.operator.ruler import LEGEND
from gateway.commands.operator.running_gateway import (
    NoGatewayError,
    add_address,
    fetch_json,
    running_address,
)
from gateway.commands.operator.transfer_acts import ACTS, PROCEDURE
from gateway.commands.operator.transfer_list import Amount, SheetNow, Told, transfer_lines
from gateway.commands.output import write, write_json
from gateway.commands.typed_act import add_acts, request_of
from gateway.commands.which_gateway import chosen_gateway
from gateway.display import printable
from gateway.errors import UsageError
from gateway.payload.reader import inventory_of, state_of
from gateway.payload.writer import INVENTORIES_SCHEMA

__all__ = ["add_arguments", "execute"]

TICKETS_SCHEMA = "tank-gateway/tickets/1"
TRANSFERS_SCHEMA = "tank-gateway/transfers/1"
_TIMEOUT_S = 5.0
_CAUTION = (
    f"{PROCEDURE} Monitoring only: it opens no valve and stops no pump. Not for custody transfer, fiscal, excise or "
    "legal-metrology use; not type-approved (OIML R 71/R 85)."
)
_EPILOG = f"""Without an ACT it lists what is open: each transfer with the ruled line of its tanks, what has moved of
what was planned, the rate, and when it is done by the clock of the site. Each ACT has its own help.
  proposed   a tank moved and nobody had said why: confirm what it is, or cancel it; unconfirmed it gets no ticket
  planned    announced; start it before anything flows, so that its opening is a sheet at rest
  running, paused, settling   it has an opening; settling, it waits until its tanks have come to rest, then it is closed
Who acts is the user who types it, as the system knows him; root, the gateway's own user and members of its group may.
A ticket never changes: `reverse` takes it back by another.
Examples: tank-gateway transfers
          tank-gateway transfers plan receipt --into TK-11 --amount 1000 m3 --partner "MT Samphire"
          tank-gateway transfers start 3
          tank-gateway transfers finish 3
Caution: {PROCEDURE}
Exit codes: 0 done; 1 it could not be done, or no gateway answered; 2 typed wrongly, or it was refused."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.usage = "tank-gateway transfers [OPTIONS] | tank-gateway transfers ACT ..."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_address(parser)
    parser.add_argument("--all", action="store_true", help="those of the last 31 days too that are closed or cancelled")
    parser.add_argument("--json", action="store_true", help="print the answer as it came, in SI")
    add_acts(parser, "transfers", ACTS, why="the ticket", caution=PROCEDURE)


def execute(arguments: argparse.Namespace) -> int:
    if arguments.act is None:
        return _list(arguments)
    if arguments.address is not None or arguments.all:
        hint = "acts go to the gateway of this machine; say which by --site or --process"
        raise UsageError("--address and --all are for the list", hint)
    act = ACTS[arguments.act]
    request = request_of(act, arguments)
    found = chosen_gateway(arguments.site, arguments.process, "say which by --site or --process")
    answer = asked(found, request)
    code = tell_answer(answer, as_json=arguments.json)
    if not arguments.json:
        said = any("never authorises" in str(line) for line in (*answer["lines"], *answer.get("notes", ())))
        write(act.effect, *([f"Caution: {PROCEDURE}"] if act.moves and not said else []))
    return code


def _list(arguments: argparse.Namespace) -> int:
    address = running_address(arguments.address)
    document = fetch_json(
        address, "/transfers?all=yes" if arguments.all else "/transfers", TRANSFERS_SCHEMA, _TIMEOUT_S
    )
    if arguments.json:
        write_json(document)
        return 0
    tanks = fetch_json(address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    tickets = fetch_json(address, "/tickets", TICKETS_SCHEMA, _TIMEOUT_S) if arguments.all else {"tickets": []}
    try:
        lines = _lines(document, tanks, tickets)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise NoGatewayError(address, "its answer is not one that this version understands") from error
    write(*lines)
    return 0


def _lines(document: Mapping[str, Any], inventories: Mapping[str, Any], tickets: Mapping[str, Any]) -> list[str]:
    now = datetime.fromisoformat(document["time"])
    zone = ZoneInfo(document["time_zone"])
    simulated = ", SIMULATED" if document["simulated"] else ""
    lines = [printable(f"{document['site']} at {site_time(now, zone, '%Y-%m-%d %H:%M:%S')}{simulated}")]
    links = [TicketLink(each["number"], each["reverses"], each["replaces"]) for each in tickets["tickets"]]
    told = [each._replace(taken_back=taken_back_words(each.ticket or 0, links)) for each in _told(document)]
    if not document.get("kept", True):
        lines.append("No transfers are kept: there is no ledger, or it has not been read yet.")
    elif not told:
        lines.append("Nothing is planned, and nothing moves that anybody has to account for.")
    else:
        tanks = {
            each["identity"]["tank"]: SheetNow(inventory_of(each), state_of(each))
            for each in inventories["inventories"]
        }
        lines += transfer_lines(told, tanks, now, zone)
        lines += ["", *map(printable, reference_line(sheet.inventory for sheet in tanks.values())), LEGEND]
    return [*lines, "", f"Caution: {_CAUTION}"]


def _told(document: Mapping[str, Any]) -> Iterator[Told]:
    for each in document["transfers"]:
        planned, progress = each["planned"], each.get("progress") or {}
        measure = progress.get("measure") or planned["measure"]
        finish = progress.get("finish")
        yield Told(
            int(each["number"]),
            TransferKind(each["kind"]),
            TransferPhase(each["phase"]),
            datetime.fromisoformat(each["since"]),
            [(side["tank"], Direction(side["direction"])) for side in each["sides"]],
            each["product"],
            Planned(planned["amount"], planned["measure"], _instant(planned["begins"])),
            each["partner"],
            each["reference"],
            each["owner"],
            each["by"],
            [
                Mark(MarkKind(m["kind"]), datetime.fromisoformat(m["instant"]), m["text"], m["by"])
                for m in each["marks"]
            ],
            each["ticket"],
            each["waits_for"],
            _figure(progress.get("moved", {}).get(measure)),
            measure,
            _figure(progress.get("rate")),
            _instant(finish),
            # One of before has none.
            _instant(progress.get("settled")),
        )


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _figure(told: Mapping[str, Any] | None) -> Amount | None:
    if told is None:
        return None
    reasons = told["reasons"]
    # It is the sheet of now that would be the closing, and nothing is closed yet.
    why = reasons[0]["text"].removeprefix("at the closing: ") if reasons else ""
    return Amount(told["value"], told["quality"], why)
