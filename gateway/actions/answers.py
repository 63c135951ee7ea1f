"""What is answered to a person, told in history, and written into the audit trail."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import orjson

from gateway.actions.book import Book, Change
from gateway.actions.entry import MAINTENANCE, QUANTITIES, Entry, EntryStanding, What, entry_document, utc_text
from gateway.actions.product_words import step_lines
from gateway.actions.products import ProductStep
from gateway.payload.alarms import standing_document
from gateway.reasons import Reason, ReasonCode, because
from gateway.status import EnteredStatus
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmStanding

__all__ = [
    "AUDIT_SCHEMA",
    "LIST_SCHEMA",
    "NO_LEDGER",
    "WITH_LEDGER",
    "audit_body",
    "done_lines",
    "entered_answer",
    "event_of",
    "list_document",
    "refused",
    "standing_text",
    "well",
]

AUDIT_SCHEMA = "tank-gateway/audit/1"
LIST_SCHEMA = "tank-gateway/entries/1"
NO_LEDGER = "this gateway keeps no ledger, so that a restart would lose what is entered: nothing was taken in"
WITH_LEDGER = "leave out `enabled: no` of `ledger`, and give it a state directory or a file"
_KINDS = {
    (What.ENTERED, False): EventKind.VALUE_ENTERED,
    (What.WITHDRAWN, False): EventKind.VALUE_WITHDRAWN,
    (What.EXPIRED, False): EventKind.VALUE_EXPIRED,
    (What.ENTERED, True): EventKind.MAINTENANCE_BEGAN,
    (What.WITHDRAWN, True): EventKind.MAINTENANCE_ENDED,
    (What.EXPIRED, True): EventKind.MAINTENANCE_ENDED,
}


def refused(code: int, lines: Sequence[str], hint: str) -> dict[str, Any]:
    """`code`: 2 where it was asked wrongly, 1 where it cannot be done."""
    return {"code": code, "lines": list(lines), "hint": hint}


def well(lines: Sequence[str], notes: Sequence[str]) -> dict[str, Any]:
    return {"code": 0, "lines": list(lines), "notes": list(notes)}


def event_of(entry: Entry, now: datetime) -> Event:
    """What is told in history; its subject is the entry, or the instrument in maintenance."""
    is_maintenance = entry.quantity == MAINTENANCE
    by_person = entry.what is not What.EXPIRED
    reason = because(
        ReasonCode.IN_MAINTENANCE if is_maintenance else ReasonCode.ENTERED,
        "{what} of {about}: {said}",
        what=MAINTENANCE if is_maintenance else QUANTITIES[entry.quantity],
        about=entry.about,
        said=_said(entry),
    )
    subject = entry.about if is_maintenance else entry.quantity
    kind = _KINDS[entry.what, is_maintenance]
    return Event(kind, entry.at if by_person else now, subject, reason, entry.by if by_person else None)


def audit_body(
    request: Mapping[str, Any],
    by: str,
    why: str | None,
    changes: Sequence[Change],
    before: object = None,
    after: object = None,
) -> str:
    """Who did what and why, and what stood there before and after: of each entry, or of an alarm."""
    asked = {key: value for key, value in request.items() if key != "why"}
    if changes:
        before = [None if change.before is None else entry_document(change.before) for change in changes]
        after = [entry_document(change.after) for change in changes]
    return orjson.dumps(
        {"schema": AUDIT_SCHEMA, "by": by, "asked": asked, "why": why or "", "before": before, "after": after}
    ).decode()


def entered_answer(book: Book, step: ProductStep | None, changes: Sequence[Change], now: datetime) -> dict[str, Any]:
    """To whoever entered it: `book` has it."""
    entries = [change.after for change in changes] if step is None else step.entries
    lines = done_lines([Change(None, each) for each in entries], book.standings(now))
    if step is None:
        return well(lines, [note for change in changes for note in change.notes])
    return well([*step_lines(step, book.products.name(step.after.tank, now)), *lines], step.notes)


def done_lines(changes: Sequence[Change], standings: Sequence[EntryStanding]) -> list[str]:
    """One line for each entry: what holds now, until when, and what the site file says of the same."""
    by_key = {each.entry.key: each for each in standings}
    return [
        f"{change.after.about}: {_named(change.after)}"
        if change.after.key not in by_key
        else f"{change.after.about}: {standing_text(by_key[change.after.key])}"
        for change in changes
    ]


def standing_text(standing: EntryStanding) -> str:
    """What holds, by whom, until when, and what the site file says of the same."""
    text = _named(standing.entry)
    if standing.ends is not None and standing.entry.what is What.ENTERED:
        text += f", until {utc_text(standing.ends)}"
    if standing.stands_in and standing.entry.what is What.ENTERED:
        text += "; it stands in while its instrument has no value"
    remark = standing.trouble or standing.other
    return f"{text}; {remark}" if remark else text


def entered_status(standing: EntryStanding) -> EnteredStatus:
    """The same for whoever shows what has been entered."""
    entry, ends, is_used, stands_in, _, _ = standing
    value = entry.block.get("value", "")
    return EnteredStatus(
        entry.about, entry.quantity, is_used, standing_text(standing), value, entry.by, ends, stands_in
    )


def list_document(
    now: datetime,
    entries: Sequence[EntryStanding],
    alarms: Mapping[str, Sequence[AlarmStanding]],
) -> dict[str, Any]:
    """What whoever takes over the shift has to know: entries and maintenance, and each alarm that is not normal."""
    return {
        "code": 0,
        "lines": [],
        "schema": LIST_SCHEMA,
        "time": _iso(now),
        "entries": [
            {
                **{key: value for key, value in entry_document(each.entry).items() if key not in ("schema", "key")},
                "ends": None if each.ends is None else _iso(each.ends),
                "used": each.is_used,
                "stands_in": each.stands_in,
                "other": each.other,
                "trouble": each.trouble,
            }
            for each in entries
        ],
        "alarms": [
            {"tank": tank or None, **standing_document(standing)}
            for tank, standings in alarms.items()
            for standing in standings
        ],
    }


def _named(entry: Entry) -> str:
    return f"{MAINTENANCE if entry.quantity == MAINTENANCE else QUANTITIES[entry.quantity]}: {_said(entry).text}"


def _said(entry: Entry) -> Reason:
    if entry.quantity == MAINTENANCE:
        if entry.what is What.EXPIRED:
            return because(ReasonCode.IN_MAINTENANCE, "ended by itself")
        phrase = "begun by {by}" if entry.what is What.ENTERED else "ended by {by}"
        return because(ReasonCode.IN_MAINTENANCE, phrase, by=entry.by)
    value = entry.block["value"]
    if entry.what is What.EXPIRED:
        return because(ReasonCode.ENTERED, "{value} has expired", value=value)
    if entry.what is What.WITHDRAWN:
        return because(ReasonCode.ENTERED, "{value} withdrawn by {by}", value=value, by=entry.by)
    how = "".join(f", {word} {entry.block[key]}" for key, word in (("at", "at"), ("by", "by")) if key in entry.block)
    return because(ReasonCode.ENTERED, "{value}{how} entered by {by}", value=value, how=how, by=entry.by)


def _iso(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")
