"""`ledger audit`: what people did, in order: who, when, what, why, and what stood there before and after."""

import argparse
import json
from collections.abc import Mapping
from typing import Any

from gateway.commands.output import Column, Grid, plain_lines, write, write_json
from gateway.commands.service.ledger_file import add_file, file_of, looked_at, time_of, time_text
from gateway.display import printable
from gateway.errors import UsageError
from gateway.ledger.audit import AuditRow, audit_rows, first_broken
from gateway.reports.tables.trail_words import is_paper, paper_words

__all__ = ["add_arguments", "execute"]

_COLUMNS = ("number", "time", "by", "action", "what", "before", "after", "why")
_ABOUT = ("tank", "instrument", "alarm", "quantity", "transfer", "ticket", "kind", "source", "target", "product", "day")
_OF_PEOPLE = ("name",)

_EPILOG = """Each row carries the hash of itself and of the row before it: whoever changes one, takes one out or puts
one in has to change every row behind it. That rows at the end are missing no chain can show: keep the newest hash
elsewhere.
Times are UTC unless they say another zone; from is in it, until is not.
Examples: tank-gateway ledger audit site.yaml
          tank-gateway ledger audit site.yaml --from 2026-03-01 --json
Exit codes: 0 well; 1 the chain is broken; 2 typed wrongly, or no ledger of this version."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--from", dest="begin", metavar="TIME", help="the first instant; all unless given")
    parser.add_argument("--until", metavar="TIME", help="the instant to stop before; all unless given")
    parser.add_argument("--json", action="store_true", help="print the rows for a program")


def execute(arguments: argparse.Namespace) -> int:
    begin_ns, until_ns = time_of("--from", arguments.begin), time_of("--until", arguments.until)
    if begin_ns is not None and until_ns is not None and begin_ns >= until_ns:
        text = f"--until {arguments.until} is not after --from {arguments.begin}"
        raise UsageError(text, "give the earlier one as --from")
    path = file_of(arguments.file)
    with looked_at(path) as connection:
        rows = list(audit_rows(connection))
    broken = first_broken(rows)
    wanted = [
        (row, _body(row))
        for row in rows
        if (begin_ns is None or row.instant_ns >= begin_ns) and (until_ns is None or row.instant_ns < until_ns)
    ]
    if arguments.json:
        write_json(
            {
                "well": broken is None,
                "file": str(path),
                "broken": None if broken is None else {"number": broken.number, "trouble": broken.trouble},
                "newest_hash": rows[-1].hash.hex() if rows else None,
                "rows": [
                    {"number": row.number, "time": time_text(row.instant_ns), "hash": row.hash.hex(), **body}
                    for row, body in wanted
                ],
            }
        )
    else:
        grid = Grid(tuple(map(Column, _COLUMNS)), tuple(_cells(row, body) for row, body in wanted))
        write(*(plain_lines(grid) if wanted else ["nobody has done anything"]))
        if broken is not None:
            write(printable(f"wrong: row {broken.number}: {broken.trouble}"))
    return 0 if broken is None else 1


def _body(row: AuditRow) -> dict[str, Any]:
    """What stands in it; a text that is not ours is told as it is."""
    try:
        plain = json.loads(row.body)
    except ValueError:
        return {"text": row.body}
    return plain if isinstance(plain, dict) else {"text": row.body}


def _cells(row: AuditRow, body: Mapping[str, Any]) -> tuple[str, ...]:
    asked = body.get("asked")
    fields = asked if isinstance(asked, dict) else {}
    about = " ".join(str(fields[name]) for name in (*_ABOUT, *_OF_PEOPLE) if name in fields)
    before, after = _told(body.get("before")), _told(body.get("after"))
    cells = (row.number, time_text(row.instant_ns), body.get("by", ""), fields.get("action", ""), about, before, after)
    return tuple(printable(str(cell)) for cell in (*cells, body.get("why", "")))


def _told(state: Any) -> str:
    """Of entries their values, of an alarm its phase, of a product its name and from when on, of the accounts which
    papers, of people their role."""
    states = state if isinstance(state, list) else [state]
    return ", ".join(_one(each) for each in states)


def _one(state: Any) -> str:
    if not isinstance(state, dict):
        return "-"
    if is_paper(state):
        return paper_words(state)
    if "phase" in state:
        return str(state["phase"]).replace("_", " ")
    if "since" in state and "product" in state:
        withdrawn = " withdrawn" if state.get("what") == "withdrawn" else ""
        return f"{state['product']} from {state['since']}{withdrawn}"
    if "what" not in state:
        # What nobody here has words for, and people: their role, and until when a code is good.
        return " ".join(str(value) for key, value in state.items() if value is not None and key != "name") or "-"
    block = state.get("block")
    block = block if isinstance(block, dict) else {}
    value = block.get("value", f"maintenance, {block.get('expires', '')}")
    return str(value) if state.get("what") == "entered" else f"{value} {state.get('what', '')}"
