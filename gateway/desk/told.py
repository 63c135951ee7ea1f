"""What is told of an act or a movement in the accounts: its row of the audit trail, its events, its papers for
those outside."""

import hashlib
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import orjson

from gateway.account.amount import AMOUNT
from gateway.account.day import DAY
from gateway.account.days.due import days_due
from gateway.account.paper import AccountPaper, Outcome, PaperKind
from gateway.account.plan import AccountPlan
from gateway.account.ticket import TICKET
from gateway.account.transfer import TRANSFER, Transfer
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.doubts import settled_at
from gateway.account.transfers.openings import rest_before_s
from gateway.account.transfers.progress import Progress, progress
from gateway.payload.outside import outside
from gateway.payload.plain import iso_time
from gateway.payload.told import reasons_in, sentence_documents
from gateway.reasons import ReasonCode, because
from gateway.tank_record import Event, EventKind, TankRecord

__all__ = [
    "AUDIT_SCHEMA",
    "CAUTION",
    "DOCUMENTS",
    "account_audit",
    "days_told",
    "open_documents",
    "open_sentences",
    "paper_read",
    "told_document",
    "told_events",
    "told_paper",
]

AUDIT_SCHEMA = "tank-gateway/audit/1"
BY_ITSELF: Mapping[str, Any] = {"action": "by itself"}
_FORMS: Mapping[PaperKind, Any] = {
    PaperKind.TRANSFER: TRANSFER,
    PaperKind.TICKET: TICKET,
    PaperKind.AMOUNT: AMOUNT,
    PaperKind.DAY: DAY,
}
DOCUMENTS: Mapping[PaperKind, str] = {
    PaperKind.TRANSFER: "tank-gateway/transfer-document/1",
    PaperKind.TICKET: "tank-gateway/ticket-document/1",
    PaperKind.AMOUNT: "tank-gateway/amount-document/1",
    PaperKind.DAY: "tank-gateway/day-document/1",
}
"""By kind: what those outside are told, `gateway/payload/schemas` has each."""
_BRIEF = ("number", "kind", "phase", "day", "revision", "product", "partner", "reference", "owner", "by", "ticket")
_BRIEFER = ("reverses", "replaces", "transfer", "value", "measure", "source", "tank", "planned", "why", "quality")
CAUTION = "Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85)."


def told_document(kind: PaperKind, document: Mapping[str, Any]) -> dict[str, Any]:
    """A paper as it was kept, for those outside. Raises PlainFormError where it is none."""
    return told_paper(kind, paper_read(kind, document))


def paper_read(kind: PaperKind, document: Mapping[str, Any]) -> Any:
    """A Transfer, Ticket, Amount or DayClose. Raises PlainFormError likewise."""
    members = {name: value for name, value in document.items() if name not in ("schema", "key")}
    return _FORMS[kind].from_plain(members)


def told_paper(kind: PaperKind, paper: Any) -> dict[str, Any]:
    """The same of one that has been read already: a Transfer, Ticket, Amount or DayClose."""
    return {"schema": DOCUMENTS[kind], "key": paper.key, "notice": CAUTION, **outside(paper)}


def open_documents(
    plan: AccountPlan, book: TransferBook, sheets: Mapping[str, TankRecord], now: datetime
) -> list[dict[str, Any]]:
    """Transfers that are not over, each with how far it has come."""
    return [
        {"key": transfer.key, **outside(transfer), "progress": outside(course)}
        for transfer, course in _open(plan, book, sheets, now)
    ]


def open_sentences(
    plan: AccountPlan, book: TransferBook, sheets: Mapping[str, TankRecord], now: datetime
) -> list[dict[str, Any]]:
    """Of what they say, as `payload.told` has sentences."""
    return sentence_documents(reasons_in([*_open(plan, book, sheets, now)]))


def _open(
    plan: AccountPlan, book: TransferBook, sheets: Mapping[str, TankRecord], now: datetime
) -> Iterator[tuple[Transfer, Progress]]:
    for _, transfer in sorted(book.transfers.items()):
        settled = settled_at(plan, transfer, sheets, book.seen, now)
        rest_s = rest_before_s(plan, transfer, sheets)
        yield transfer, progress(transfer, sheets, now)._replace(settled=settled, opening_rest_s=rest_s)


def days_told(
    plan: AccountPlan, now: datetime, last: Mapping[str, Any] | None, first_sheet: datetime | None
) -> dict[str, Any]:
    """The newest close, and days that have ended long enough ago and have none. `last`: its document."""
    unclosed = days_due(plan, now, None if last is None else last["day"], first_sheet)
    return {
        "last": None if last is None else {"day": last["day"], "revision": last["revision"]},
        "unclosed": [{"day": day.name, "ended": iso_time(day.end)} for day in unclosed],
    }


def account_audit(
    outcome: Outcome, before: Mapping[int, Mapping[str, Any]], by: str, asked: Mapping[str, Any] | None, why: str
) -> str:
    """Who did what and why, and each paper with its digest. `before`: by number, transfers that were open."""
    earlier = [
        _brief(before[paper.document["number"]])
        for paper in outcome.papers
        if paper.kind is PaperKind.TRANSFER and paper.document["number"] in before
    ]
    after = [
        {**_brief(paper.document), "sha256": hashlib.sha256(orjson.dumps(paper.document)).hexdigest()}
        for paper in outcome.papers
    ]
    given = {key: value for key, value in (BY_ITSELF if asked is None else asked).items() if key != "why"}
    return orjson.dumps(
        {"schema": AUDIT_SCHEMA, "by": by, "asked": given, "why": why, "before": earlier or None, "after": after}
    ).decode()


def told_events(outcome: Outcome, now: datetime, by: str) -> list[tuple[str, Event]]:
    """Its events with their papers; what has no event of its own, an amount or a day, gets one."""
    papers = {paper.key: paper for paper in outcome.papers}
    told = [(tank, _with_paper(event, papers)) for tank, event in outcome.events]
    having = {event.subject for _, event in outcome.events}
    lines = dict(zip((paper.key for paper in outcome.papers), outcome.lines, strict=False))
    for paper in outcome.papers:
        if paper.key not in having and paper.kind in (PaperKind.AMOUNT, PaperKind.DAY):
            said = lines.get(paper.key, paper.key)
            reason = because(ReasonCode.ENTERED, "{said}", said=said)
            event = Event(_kind_of(paper), now, paper.key, reason if by else None, by or None)
            told.append((paper.tank, _with_paper(event, papers)))
    return told


def _kind_of(paper: AccountPaper) -> EventKind:
    if paper.kind is PaperKind.DAY:
        return EventKind.DAY_CLOSED
    return EventKind.AMOUNT_ENTERED if paper.document.get("reverses") is None else EventKind.AMOUNT_REVERSED


def _with_paper(event: Event, papers: Mapping[str, AccountPaper]) -> Event:
    paper = papers.get(event.subject)
    if paper is None:
        return event
    return event._replace(document=orjson.dumps(told_document(paper.kind, paper.document)).decode())


def _brief(document: Mapping[str, Any]) -> dict[str, Any]:
    names = ("schema", "key", *_BRIEF, *_BRIEFER)
    return {name: document[name] for name in names if name in document}
