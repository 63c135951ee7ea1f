"""Papers of the accounts looked through: that each can be read, stands in the audit trail as it is, and that numbers
have no gap."""

import hashlib
import sqlite3
from collections.abc import Iterable

import orjson

from gateway.account.paper import PaperKind
from gateway.ledger.account_papers import NUMBERED, PaperError, open_transfers, papers_between, read_known
from gateway.ledger.audit import AuditRow
from gateway.ledger.verification import Findings

__all__ = ["PapersFound", "papers_in", "told_digests"]

_EVER_NS = 1 << 62
_OVER = ("closed", "cancelled")


class PapersFound(Findings):
    """What is wrong with papers, and how many there are."""

    def __init__(self) -> None:
        super().__init__()
        self.papers = 0


def told_digests(rows: Iterable[AuditRow]) -> frozenset[tuple[str, str]]:
    """Key and digest of each paper that the audit trail tells of."""
    found: set[tuple[str, str]] = set()
    for row in rows:
        try:
            after = orjson.loads(row.body)["after"]
        except (ValueError, KeyError, TypeError):
            continue
        for each in after if isinstance(after, list) else ():
            if isinstance(each, dict) and "sha256" in each:
                found.add((str(each.get("key")), str(each["sha256"])))
    return frozenset(found)


def papers_in(connection: sqlite3.Connection, told: frozenset[tuple[str, str]]) -> PapersFound:
    """Raises sqlite3.Error. Papers that were carried over into another file stand in the trail of the one before."""
    found = PapersFound()
    newest: dict[int, bool] = {}
    numbers: dict[PaperKind, list[int]] = {kind: [] for kind in NUMBERED}
    rows: dict[int, int] = {}
    for kind in PaperKind:
        for paper in papers_between(connection, kind, -_EVER_NS, _EVER_NS):
            found.papers += 1
            if isinstance(paper, PaperError):
                found.add(str(paper))
                continue
            digest = hashlib.sha256(orjson.dumps(paper.document)).hexdigest()
            if (paper.key, digest) not in told:
                found.add(f"{paper.key} in row {paper.number} is not in the audit trail as it stands")
            if kind in NUMBERED:
                number = int(paper.document["number"])
                numbers[kind].append(number)
                if kind is PaperKind.TRANSFER and rows.get(number, 0) < paper.number:
                    rows[number], newest[number] = paper.number, paper.document["phase"] not in _OVER
    known = read_known(connection).numbers
    for kind in (PaperKind.TICKET, PaperKind.AMOUNT):
        having = set(numbers[kind])
        found_missing = [number for number in range(min(having, default=1), known[kind] + 1) if number not in having]
        for number in found_missing:
            found.add(f"{kind.value} {number} is missing")
    is_open = {number for number, each in newest.items() if each}
    noted = {int(paper.document["number"]) for paper in open_transfers(connection) if not isinstance(paper, PaperError)}
    for number in sorted(is_open ^ noted):
        found.add(f"whether transfer {number} is open is noted wrongly")
    return found
