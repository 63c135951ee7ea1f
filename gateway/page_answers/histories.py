"""What has happened, over HTTP: the events of a tank, and what people did, newest first and in pages."""

import sqlite3
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson

from gateway.actions.alarm_door import OF_GATEWAY
from gateway.history import GATEWAY
from gateway.ledger.audit import AuditRow, newest_row
from gateway.ledger.newest_events import newest_events
from gateway.page_answers.parts import Parts, instant_of, made, ns_of
from gateway.page_answers.times import Span, count_asked, span_asked
from gateway.payload.history import event_json
from gateway.payload.plain import iso_time
from gateway.payload.told import reasons_in, sentence_documents
from gateway.permits import READ_CHANGES, may
from gateway.web.interface.contract import Call, Made, NobodyAskedError, NotAllowedError

__all__ = ["Histories"]

_LONGEST_EVENTS = timedelta(days=31)
_USUAL_EVENTS = timedelta(days=1)
_LONGEST_CHANGES = timedelta(days=36_600)
_USUAL, _MOST = 100, 500
_FARTHEST = 2**62
_LONGEST_TEXT = 500
_BEGIN = datetime(1970, 1, 1, tzinfo=UTC)


class Histories:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def events(self, call: Call) -> Made:
        parts = self._parts
        settings, now = parts.site(), parts.now()
        # What happens to the gateway itself has a place of its own, whose name no tank may have.
        is_own = call.path["tank"] == OF_GATEWAY
        tank = GATEWAY if is_own else parts.setup(call).plan.tank
        span = span_asked(settings.account, call.query, now, usual=_USUAL_EVENTS, longest=_LONGEST_EVENTS)
        before, at_most = _page_asked(call)
        # Without an end also what a clock that was ahead has dated.
        until_ns = ns_of(span.until) if "until" in call.query else _FARTHEST
        found = await parts.read(
            lambda connection: newest_events(connection, tank, ns_of(span.begin), until_ns, before, at_most)
        )
        events = [orjson.loads(event_json(each, simulated=settings.simulated)) for each in found.events]
        return made(
            {
                "schema": "tank-gateway/page-events/1",
                "tank": OF_GATEWAY if is_own else tank,
                "time": iso_time(now),
                "simulated": settings.simulated,
                **span.told,
                "events": events,
                "before": found.before,
                "unreadable": found.unreadable,
                "sentences": sentence_documents(reasons_in([each.event for each in found.events])),
            }
        )

    async def changes(self, call: Call) -> Made:
        """The audit trail. Raises NobodyAskedError, NotAllowedError."""
        if call.person is None:
            raise NobodyAskedError("who changed what is told to those who have signed in")
        if not may(call.person.role, READ_CHANGES):
            raise NotAllowedError(f"as {call.person.role.value} you may not read who changed what")
        parts = self._parts
        settings, now = parts.site(), parts.now()
        asked = {"from": _BEGIN.isoformat(), **call.query}
        span = span_asked(settings.account, asked, now, usual=_LONGEST_CHANGES, longest=_LONGEST_CHANGES)
        before, at_most = _page_asked(call)
        until = span.until if "until" in call.query else None
        rows, newest = await parts.read(lambda connection: _rows(connection, span, until, before, at_most + 1))
        more = len(rows) > at_most
        rows = rows[:at_most]
        return made(
            {
                "schema": "tank-gateway/page-changes/1",
                "time": iso_time(now),
                "simulated": settings.simulated,
                **span.told,
                "rows": [_told(row) for row in rows],
                "before": rows[-1].number if more else None,
                "newest_hash": newest,
            }
        )


def _page_asked(call: Call) -> tuple[int | None, int]:
    at_most = count_asked(call.query, "at_most", _USUAL, 1, _MOST)
    before = count_asked(call.query, "before", 0, 1, _FARTHEST) if "before" in call.query else None
    return before, at_most


def _rows(
    connection: sqlite3.Connection, span: Span, until: datetime | None, before: int | None, at_most: int
) -> tuple[list[AuditRow], str | None]:
    """Newest first; and the hash of the last row there is. Without `until` also those of a clock that was ahead."""
    found = connection.execute(
        "SELECT number, instant_ns, body, hash FROM audit WHERE number < ? AND instant_ns >= ? AND instant_ns < ? "
        "ORDER BY number DESC LIMIT ?",
        (
            _FARTHEST if before is None else before,
            ns_of(span.begin),
            _FARTHEST if until is None else ns_of(until),
            at_most,
        ),
    ).fetchall()
    newest = newest_row(connection)
    return [AuditRow(*row) for row in found], None if newest is None else newest.hash.hex()


def _told(row: AuditRow) -> dict[str, Any]:
    head = {"number": row.number, "time": iso_time(instant_of(row.instant_ns / 1e9)), "hash": row.hash.hex()}
    try:
        body = orjson.loads(row.body)
    except ValueError:
        body = None
    if not isinstance(body, dict):
        # Not of this version's form: told as it stands there.
        return {**head, "by": "", "action": "", "asked": {}, "why": "", "text": row.body}
    asked = body.get("asked")
    fields: Mapping[str, Any] = asked if isinstance(asked, dict) else {}
    return {
        **head,
        "by": str(body.get("by") or ""),
        "action": str(fields.get("action", "")),
        "asked": {str(name): _short(value) for name, value in fields.items() if name != "action"},
        "why": str(body.get("why") or ""),
        "before": body.get("before"),
        "after": body.get("after"),
    }


def _short(value: Any) -> Any:
    """A file that was taken in is told by its beginning."""
    return f"{value[:_LONGEST_TEXT]}…" if isinstance(value, str) and len(value) > _LONGEST_TEXT else value
