"""`ledger verify`: a whole ledger looked through, and its records calculated again."""

import argparse
import sqlite3
from typing import Any

from gateway.calculation.plan import TankPlan
from gateway.calculation.remembered import calculated_again
from gateway.commands.output import write, write_json
from gateway.commands.service.ledger_file import add_file, file_of, looked_at
from gateway.display import printable
from gateway.history import Entry, KeptRecord
from gateway.ledger.audit import audit_rows, first_broken
from gateway.ledger.codec import BodyError, Decoder
from gateway.ledger.kept import plan_in
from gateway.ledger.paper_checks import papers_in, told_digests
from gateway.ledger.verification import Findings, Through, broken_pages, read_through
from gateway.plan_body import PlanBodyError, plan_from
from gateway.plan_id import id_of
from gateway.reasons import Reason

__all__ = ["add_arguments", "execute", "is_told_alike"]

_SHOWN = 10
"""Of each kind of finding; the rest is counted."""

_EPILOG = """Looked at: every page of the file, the body of every entry, whether each record names the one of its tank
that stands before it, the chain of the audit trail, and that each transfer, ticket, amount and close of a day stands in
that as it is. With --calculate each record is calculated again from itself and
the plan that it names, and must come out to the same digits; a large ledger takes its time.
Example: tank-gateway ledger verify site.yaml --calculate
Exit codes: 0 well; 1 something was found; 2 typed wrongly, or no ledger of this version."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--calculate", action="store_true", help="calculate each record again")
    parser.add_argument("--json", action="store_true", help="print what was found for a program")


def execute(arguments: argparse.Namespace) -> int:
    path = file_of(arguments.file)
    pages, audit = Findings(), Findings()
    with looked_at(path) as connection:
        for text in broken_pages(connection):
            pages.add(text)
        again = _Again(connection) if arguments.calculate else None
        decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
        try:
            through = read_through(connection, decode, _nothing if again is None else again.take)
        except sqlite3.Error as error:
            pages.add(f"history cannot be read to its end: {error}")
            through = Through(0, 0, Findings(), Findings())
        broken = first_broken(audit_rows(connection))
        papers = papers_in(connection, told_digests(audit_rows(connection)))
        if broken is not None:
            audit.add(f"row {broken.number}: {broken.trouble}")
        (audit_count,) = connection.execute("SELECT count(*) FROM audit").fetchone()
    others = Findings() if again is None else again.others
    found = {
        "pages": pages,
        "unreadable": through.unreadable,
        "gaps": through.gaps,
        "audit": audit,
        "papers": papers,
        "plans": Findings() if again is None else again.damaged_plans,
        "calculated_otherwise": others,
    }
    well = not any(found.values())
    if arguments.json:
        document = _document(str(path), well, found, through, audit_count, again)
        write_json({**document, "papers": papers.papers})
    else:
        write(*_lines(str(path), well, found, through, audit_count, again))
    return 0 if well else 1


def _nothing(_: Entry) -> None:
    pass


class _Again:
    """Records calculated again, each by the plan that it names."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._plans: dict[str, TankPlan | None] = {}
        self.calculated = 0
        self.others = Findings()
        self.without_plan = 0
        """Records whose plan is not there, or cannot be read."""
        self.damaged_plans = Findings()
        self.of_other_versions: list[str] = []
        """Plans that this version cannot read, and why."""

    def take(self, entry: Entry) -> None:
        if not isinstance(entry, KeptRecord):
            return
        record = entry.record
        plan = self._plan(record.plan)
        if plan is None:
            return
        self.calculated += 1
        if not is_told_alike(calculated_again(plan, record), record.inventory):
            tank, boot, sequence = record.identity[1:]
            self.others.add(f"position {entry.position}: tank {tank}, boot {boot}, sequence {sequence}")

    def _plan(self, plan_id: str) -> TankPlan | None:
        if plan_id not in self._plans:
            self._plans[plan_id] = self._read(plan_id)
        found = self._plans[plan_id]
        if found is None:
            self.without_plan += 1
        return found

    def _read(self, plan_id: str) -> TankPlan | None:
        try:
            text = plan_in(self._connection, plan_id)
            if text is None:
                return None
            if id_of(text) != plan_id:
                raise BodyError("its text is another than its id says")
        except BodyError as error:
            self.damaged_plans.add(f"plan {plan_id}: {error}")
            return None
        try:
            return plan_from(plan_id, text)
        except PlanBodyError as error:
            self.of_other_versions.append(f"plan {plan_id}: {error}")
            return None


def _document(
    path: str, well: bool, found: dict[str, Findings], through: Through, audit: int, again: _Again | None
) -> dict[str, Any]:
    return {
        "well": well,
        "file": path,
        "records": through.records,
        "events": through.events,
        "audit_rows": audit,
        "calculated": None if again is None else again.calculated,
        "without_plan": None if again is None else again.without_plan,
        "found": {kind: list(texts) for kind, texts in found.items()},
        "counts": {kind: texts.total for kind, texts in found.items()},
    }


_TITLES = {
    "pages": "pages of the file are broken",
    "unreadable": "entries cannot be read",
    "gaps": "records are missing",
    "audit": "the audit trail is broken",
    "papers": "papers of the accounts are not as they were kept",
    "plans": "plans are damaged",
    "calculated_otherwise": "records come out otherwise",
}


def _lines(
    path: str, well: bool, found: dict[str, Findings], through: Through, audit: int, again: _Again | None
) -> list[str]:
    counts = f"{through.records:,} records, {through.events:,} events, {audit:,} rows of the audit trail"
    lines = [printable(f"{path}: {counts}")]
    if again is not None:
        lines.append(f"{again.calculated:,} records calculated again")
        if again.without_plan:
            lines.append(f"{again.without_plan:,} were not: their plans are not in it, or cannot be read")
            lines += [printable(f"  {text}") for text in again.of_other_versions[:_SHOWN]]
    for kind, texts in found.items():
        if texts:
            lines.append(f"wrong: {_TITLES[kind]} ({texts.total:,})")
            lines += [printable(f"  {text}") for text in texts[:_SHOWN]]
            if texts.total > _SHOWN:
                lines.append(f"  and {texts.total - _SHOWN:,} more; --json lists the first thousand")
    return [*lines, "well"] if well else lines


def is_told_alike(one: object, other: object) -> bool:
    """Whether two inventories, or parts of them, are the same to whoever reads them: every number, quality, code and
    sentence. A version of the program may make the same sentence of its values in another way."""
    if isinstance(one, Reason) and isinstance(other, Reason):
        return (one.code, one.text) == (other.code, other.text)
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(is_told_alike, one, other))
    return one == other
