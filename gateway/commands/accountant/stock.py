"""`stock`: what a site holds, now or as a closed day has it; and what people enter into its books."""

import argparse
from datetime import datetime
from zoneinfo import ZoneInfo

from gateway.account.paper import PaperKind
from gateway.commands.accountant.books import opened_books
from gateway.commands.accountant.report_kinds import KINDS
from gateway.commands.accountant.report_text import report_lines
from gateway.commands.accountant.stock_acts import ACTS
from gateway.commands.accountant.stock_lines import stock_lines
from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.door_client import asked, tell_answer
from gateway.commands.operator.reference_line import reference_line
from gateway.commands.operator.running_gateway import (
    NoGatewayError,
    add_address,
    fetch_json,
    running_address,
)
from gateway.commands.output import write, write_json
from gateway.commands.typed_act import add_acts, request_of
from gateway.commands.which_gateway import chosen_gateway
from gateway.desk.told import CAUTION, DOCUMENTS
from gateway.display import printable
from gateway.errors import UsageError
from gateway.payload.outside import outside
from gateway.payload.reader import inventory_of
from gateway.payload.writer import INVENTORIES_SCHEMA
from gateway.report_books.kinds import Wanted

__all__ = ["add_arguments", "execute"]

STOCK_SCHEMA = "tank-gateway/stock/1"
_TIMEOUT_S = 5.0
_CAUTION = f"{CAUTION} Quantities follow the methods named; not certified by API/ISO."
_EPILOG = """Without an ACT it shows what is in the tanks now, by product and by owner, and which tanks a total leaves
out; with --day how a day was closed: opening, receipts, dispatches, book, what the tanks held, gain or loss, the month.
  9 of 10, estimated   one tank has no value and is left out, and what another has is Uncertain
The book is opening + receipts - dispatches - own use + adjustments. A document of a meter, rack or ship counts in it;
a movement without one counts by its ticket. Gain and loss of a day are shown, those of a month are judged.
Examples: tank-gateway stock
          tank-gateway stock --day 2026-11-27
          tank-gateway stock amount receipt ship diesel 1012.1 m3 --measure gsv --reference BL-2041 --ticket 1
          tank-gateway stock import rack.csv
          tank-gateway stock close --why "the rack's figures came late"
Exit codes: 0 done; 1 it could not be done, or no gateway answered; 2 typed wrongly, or it was refused."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.usage = "tank-gateway stock [OPTIONS] | tank-gateway stock ACT ..."
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_address(parser)
    parser.add_argument(
        "--day", metavar="DAY", dest="of_day", help="a day that is closed, by its date; `last` for the newest"
    )
    parser.add_argument("--json", action="store_true", help="print it for a program, in SI")
    add_acts(parser, "stock", ACTS, why="the books")


def execute(arguments: argparse.Namespace) -> int:
    if arguments.act is None:
        return _show(arguments)
    if arguments.address is not None or arguments.of_day is not None:
        hint = "acts go to the gateway of this machine; say which by --site or --process"
        raise UsageError("--address and --day are for what is shown", hint)
    act = ACTS[arguments.act]
    request = request_of(act, arguments)
    found = chosen_gateway(arguments.site, arguments.process, "say which by --site or --process")
    code = tell_answer(asked(found, request), as_json=arguments.json)
    if not arguments.json:
        write(act.effect)
    return code


def _show(arguments: argparse.Namespace) -> int:
    if arguments.of_day is not None:
        return _show_day(arguments)
    address = running_address(arguments.address)
    document = fetch_json(address, "/stock", STOCK_SCHEMA, _TIMEOUT_S)
    if arguments.json:
        write_json(document)
        return 0
    sheets = fetch_json(address, "/inventories", INVENTORIES_SCHEMA, _TIMEOUT_S)
    try:
        below = map(printable, reference_line(map(inventory_of, sheets["inventories"])))
        now, zone = datetime.fromisoformat(document["time"]), ZoneInfo(document["time_zone"])
        simulated = ", SIMULATED" if document["simulated"] else ""
        head = f"Stock of {document['site']} at {site_time(now, zone, '%Y-%m-%d %H:%M:%S')}{simulated}"
        lines = [printable(head), "", *stock_lines(document, zone), *below]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise NoGatewayError(address, "its answer is not one that this version understands") from error
    write(*lines, "", f"Caution: {_CAUTION}")
    return 0


def _show_day(arguments: argparse.Namespace) -> int:
    """As its reports have it: what the tanks held, and the book against them."""
    with opened_books(None, None, lambda _: None) as books:
        if arguments.json:
            close = books.day(arguments.of_day)
            write_json({"schema": DOCUMENTS[PaperKind.DAY], "key": close.key, "notice": CAUTION, **outside(close)})
            return 0
        wanted = Wanted(arguments.of_day)
        reports = [KINDS[kind].make(books, wanted) for kind in ("stock", "reconciliation")]
    write(*report_lines(reports[0], books.reports), "", *report_lines(reports[1], books.reports))
    return 0
