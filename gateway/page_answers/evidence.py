"""What an auditor asks, over HTTP: whether the audit trail is whole, how alarms were answered to, and how much of the
time figures were Good. Each is worked out by whoever reads the ledger, and kept for others who ask soon after.
"""

import asyncio
import sqlite3
import time
from datetime import datetime, timedelta
from typing import Any

from gateway.history import GATEWAY
from gateway.ledger.audit import audit_rows, first_broken, newest_row
from gateway.ledger.good_time import QualityMinutes, first_minute_s, quality_minutes
from gateway.ledger.newest_events import EventsFound, newest_events
from gateway.ledger.summaries import MINUTE_S
from gateway.page_answers.parts import Parts, instant_of, made, ns_of
from gateway.page_answers.times import Span, span_asked
from gateway.payload.plain import iso_time
from gateway.watch.alarm_response import Raised, alarm_rates, raisings
from gateway.web.interface.contract import Call, Made

__all__ = ["Evidence"]

_WEEK = timedelta(days=7)
_MONTH = timedelta(days=31)
_CHAIN_S = 60.0
_GOOD_S = 60.0
_GOOD_TIMES = 100.0
"""Times what it took: counting never has more than a hundredth of the reader's time."""
_MOST_EVENTS = 5000
_MOST_ALARMS = 500
_AT_ONCE = 10
"""Tanks that are read in one turn of the reading thread: others who look come between."""
_FIGURES = ("level", "tov", "mass")
_GOING_ON_S = 150
"""What is newer may not be in the file yet."""


class Evidence:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._chain: tuple[float, Made] | None = None
        self._good: tuple[float, object, Made] | None = None
        """Until when it is the same for all who ask."""
        self._chain_turn, self._good_turn = asyncio.Lock(), asyncio.Lock()

    async def chain(self, _: Call) -> Made:
        """Every row hashed again, from the first."""
        async with self._chain_turn:
            if self._chain is None or time.monotonic() - self._chain[0] > _CHAIN_S:
                head = {"schema": "tank-gateway/page-chain/1", "time": iso_time(self._parts.now())}
                told = await self._parts.read(_looked_through)
                self._chain = time.monotonic(), made(head | told)
            return self._chain[1]

    async def alarm_times(self, call: Call) -> Made:
        parts, now = self._parts, self._parts.now()
        asked = span_asked(parts.site().account, call.query, now, usual=_WEEK, longest=_MONTH)
        span = asked._replace(begin=self._kept_from(asked))
        found = await parts.read(
            lambda connection: newest_events(connection, None, ns_of(span.begin), ns_of(span.until), None, _MOST_EVENTS)
        )
        since_first = span.begin > asked.begin
        if found.before is not None:
            # What lies before the oldest that was read is told by none either: over all that was asked for a flood of
            # alarms, of which the newest alone are read, would be few an hour.
            oldest = found.events[-1].event.instant if found.events else span.until
            span = span._replace(begin=min(max(span.begin, oldest), span.until))
        alarms = _raised(found)
        rates = alarm_rates(alarms, span.begin, span.until)
        newest = alarms[::-1][:_MOST_ALARMS]
        return made(
            {
                "schema": "tank-gateway/page-alarm-times/1",
                "time": iso_time(now),
                "simulated": parts.site().simulated,
                **span.told,
                "since_first_record": since_first,
                "complete": found.before is None and not found.unreadable and len(newest) == len(alarms),
                "rates": rates._asdict(),
                "alarms": [_alarm(each) for each in newest],
            }
        )

    def _kept_from(self, asked: Span) -> datetime:
        """What is older than the oldest entry of the ledger is told by none: it counts for no rate."""
        ledger = self._parts.keeping.status()
        if ledger is None or ledger.oldest_ns is None:
            return asked.begin
        return min(max(asked.begin, instant_of(ledger.oldest_ns / 1e9)), asked.until)

    async def good_time(self, _: Call) -> Made:
        parts = self._parts
        tanks = tuple(setup.plan.tank for setup in parts.site().tanks)
        async with self._good_turn:
            until = instant_of(int(parts.now().timestamp() - _GOING_ON_S) // MINUTE_S * MINUTE_S)
            known = self._good
            if known is None or known[1] != tanks or time.monotonic() > known[0]:
                begun_s = time.monotonic()
                found = made(await self._good_times(tanks, until))
                ended_s = time.monotonic()
                self._good = ended_s + max(_GOOD_S, _GOOD_TIMES * (ended_s - begun_s)), tanks, found
            assert self._good is not None
            return self._good[2]

    async def _good_times(self, tanks: tuple[str, ...], until: datetime) -> dict[str, Any]:
        parts = self._parts
        begin, until_s = until - _WEEK, round(until.timestamp())
        first_s = await parts.read(first_minute_s, is_fresh=False)
        asked_s = round(begin.timestamp())
        # Before there was any record nobody knows how it was.
        from_s = until_s if first_s is None else min(until_s, max(asked_s, first_s))
        minutes = (until_s - from_s) // MINUTE_S
        found: dict[str, Any] = {}
        for start in range(0, len(tanks), _AT_ONCE):
            some = tanks[start : start + _AT_ONCE]

            def counted(connection: sqlite3.Connection, some: tuple[str, ...] = some) -> dict[str, Any]:
                return {
                    tank: {
                        name: _minutes(each, minutes)
                        for name, each in quality_minutes(connection, tank, _FIGURES, from_s, until_s).items()
                    }
                    for tank in some
                }

            found |= await parts.read(counted, is_fresh=False)
        return {
            "schema": "tank-gateway/page-good-time/1",
            "time": iso_time(parts.now()),
            "simulated": parts.site().simulated,
            **Span(instant_of(from_s), instant_of(until_s)).told,
            "since_first_record": from_s > asked_s,
            "minutes": minutes,
            "tanks": found,
        }


def _looked_through(connection: sqlite3.Connection) -> dict[str, Any]:
    # Before they are hashed: a row that comes meanwhile is not told as one that was looked at.
    (count,) = connection.execute("SELECT count(*) FROM audit").fetchone()
    newest = newest_row(connection)
    broken = first_broken(audit_rows(connection))
    return {
        "rows": count,
        "newest": None
        if newest is None
        else {
            "number": newest.number,
            "time": iso_time(instant_of(newest.instant_ns / 1e9)),
            "hash": newest.hash.hex(),
        },
        "broken": None if broken is None else broken._asdict(),
    }


def _raised(found: EventsFound) -> list[Raised]:
    """Those of the gateway itself have the empty tank."""
    ordered = reversed(found.events)
    return raisings(("" if each.identity.tank == GATEWAY else each.identity.tank, each.event) for each in ordered)


def _alarm(raised: Raised) -> dict[str, Any]:
    return {
        "tank": raised.tank or None,
        "alarm": raised.alarm,
        "raised": iso_time(raised.raised),
        "acknowledged": _time(raised.acknowledged),
        "by": raised.by,
        "answered_s": raised.answered_s,
        "returned": _time(raised.returned),
        "escalated": _time(raised.escalated),
        "text": raised.text,
    }


def _time(instant: datetime | None) -> str | None:
    return None if instant is None else iso_time(instant)


def _minutes(counted: QualityMinutes, minutes: int) -> dict[str, int]:
    return {**counted._asdict(), "none": max(0, minutes - sum(counted))}
