"""`report`: what somebody signs or files, as text, CSV, XLSX or PDF."""

import argparse
import sys
from pathlib import Path

from gateway.commands.accountant.books import opened_books
from gateway.commands.accountant.report_kinds import KINDS
from gateway.commands.accountant.report_text import report_lines
from gateway.commands.new_file import write_new_file
from gateway.commands.output import is_terminal, note, write
from gateway.errors import UsageError
from gateway.report_books.forms import report_bytes, report_file_name
from gateway.report_books.kinds import Wanted
from gateway.reports.plan import ReportPlan
from gateway.reports.report import Report
from gateway.settings.reading.validation import suggestion

__all__ = ["add_arguments", "execute"]

_FORMATS = ("text", "csv", "xlsx", "pdf")
_ON_SCREEN = ("text", "csv")
_OF = ("day", "month", "revision", "ticket", "folder")
_EPILOG = """KIND is one of:
{kinds}
Without --day or --month it is about the newest day that is closed. FILE is the site file or the ledger's file; without
one the gateway that runs on this machine says where its ledger is. The same closed day gives the same file, byte for
byte. Text and CSV come to the screen unless --out names a file; XLSX and PDF get a name of their own unless it does.
Units and number format are those of the site file (`reports:`); CSV has always a point, and times in UTC.
Caution: not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85).
Examples: tank-gateway report reconciliation
          tank-gateway report reconciliation --month 2026-11 --format xlsx
          tank-gateway report ticket --ticket 12 --format pdf --out ticket-12.pdf
          tank-gateway report stock site.yaml --day 2026-11-27 --format csv
Exit codes: 0 written; 1 it could not be done, such as a day that is not closed; 2 typed wrongly."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    width = max(map(len, KINDS))
    kinds = "\n".join(f"  {name:<{width}}  {kind.summary}" for name, kind in KINDS.items())
    parser.epilog = _EPILOG.format(kinds=kinds)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("kind", metavar="KIND", help="which report")
    parser.add_argument("file", metavar="FILE", nargs="?", help="site file, or file of a ledger")
    parser.add_argument("--day", metavar="DAY", help="for example 2026-11-27, the date on which it began")
    parser.add_argument("--month", metavar="MONTH", help="for example 2026-11")
    parser.add_argument(
        "--revision", metavar="NUMBER", type=int, help="of a day that was closed again; else the newest"
    )
    parser.add_argument("--ticket", metavar="NUMBER", type=int, help="its number")
    parser.add_argument("--folder", metavar="DIR", help="where the records of dip-check are; here unless given")
    parser.add_argument("--site", metavar="NAME", help="of the running gateway, where several run on this machine")
    parser.add_argument("--format", choices=_FORMATS, help="text unless --out says another by its ending")
    parser.add_argument("--out", metavar="FILE", help="where to write it; nothing is replaced")


def execute(arguments: argparse.Namespace) -> int:
    wanted = _wanted(arguments)
    form = _form(arguments.format, arguments.out)
    with opened_books(arguments.file, arguments.site, _Progress()) as books:
        report = KINDS[arguments.kind].make(books, wanted)
        plan = books.reports
        # The paper of a ticket is the same for ever: what became of it since stands beside it.
        since = "" if wanted.ticket is None else books.taken_back(wanted.ticket)
    _Progress.end()
    if since:
        note(f"ticket {wanted.ticket} is {since}")
    if arguments.out is None and form in _ON_SCREEN:
        write(*(report_lines(report, plan) if form == "text" else _bytes(report, plan, form).decode().splitlines()))
        return 0
    path = Path(arguments.out or report_file_name(report, wanted, form))
    write_new_file(path, [_bytes(report, plan, form)], "no file is replaced")
    note(f"written to {path}")
    return 0


def _wanted(arguments: argparse.Namespace) -> Wanted:
    """Raises UsageError."""
    kind = KINDS.get(arguments.kind)
    if kind is None:
        raise UsageError(f"there is no report '{arguments.kind}'", suggestion(arguments.kind, KINDS))
    given = [name for name in _OF if getattr(arguments, name) is not None]
    for name in given:
        if name not in kind.of:
            words = ", ".join(f"--{each}" for each in kind.of) or "none: it is about now"
            raise UsageError(f"report {arguments.kind}: --{name} is nothing of it", f"it takes {words}")
    if arguments.day is not None and arguments.month is not None:
        raise UsageError("--day and --month are given both", "give one of them")
    return Wanted(
        arguments.day,
        arguments.month,
        arguments.revision,
        arguments.ticket,
        arguments.folder or ".",
        arguments.site,
    )


def _form(typed: str | None, out: str | None) -> str:
    """Raises UsageError where the ending of the file is none of them."""
    if typed is not None:
        return typed
    if out is None:
        return "text"
    ending = Path(out).suffix.removeprefix(".").lower()
    found = {"txt": "text"}.get(ending, ending)
    if found not in _FORMATS:
        raise UsageError(f"--out: '{out}' does not end as a report does", "end it in .txt, .csv, .xlsx or .pdf")
    return found


def _bytes(report: Report, plan: ReportPlan, form: str) -> bytes:
    if form == "text":
        return "".join(f"{line}\n" for line in report_lines(report, plan)).encode()
    return report_bytes(report, plan, form)


class _Progress:
    """One line on a terminal that tells how far it is; nothing elsewhere."""

    def __call__(self, text: str) -> None:
        if is_terminal(sys.stderr):
            sys.stderr.write(f"\r{text}\033[K")
            sys.stderr.flush()

    @staticmethod
    def end() -> None:
        if is_terminal(sys.stderr):
            sys.stderr.write("\r\033[K")
            sys.stderr.flush()
