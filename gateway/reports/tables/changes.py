"""Pure: the audit trail as a report: who changed what, when, why, what stood there before and after, and the hash."""

import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta, tzinfo
from decimal import Decimal
from typing import Any, Protocol

from gateway.display import printable
from gateway.reports.report import Cell, Column, Fact, Group, Kind, Report, Row, Table
from gateway.reports.tables.trail_words import is_paper, paper_words
from gateway.reports.words import both_times, kind_words

__all__ = ["TrailRow", "changes_report"]

_COLUMNS = (
    Column("number", "No.", Kind.COUNT),
    Column("local", "When", Kind.LOCAL),
    Column("utc", "UTC", Kind.UTC),
    Column("by", "By", share=1.0),
    Column("action", "What was done", share=0.0),
    Column("about", "Of what", share=1.5),
    Column("before", "Before", share=1.5),
    Column("after", "After", share=1.5),
    Column("why", "Why", share=2.0),
    Column("hash", "Hash", on_paper=False),
)
_SAID = ("action", "schema")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_LONGEST = 400


class TrailRow(Protocol):
    """One row, as `gateway.ledger.audit.AuditRow` has it."""

    @property
    def number(self) -> int: ...
    @property
    def instant_ns(self) -> int: ...
    @property
    def body(self) -> str: ...
    @property
    def hash(self) -> bytes: ...


def changes_report(
    site: str,
    rows: Iterable[TrailRow],
    span: tuple[datetime, datetime],
    zone: tzinfo,
    *,
    broken: str = "",
    newest_hash: bytes | None = None,
    simulated: bool = False,
) -> Report:
    """`rows`: of the span, in order. `broken`: what is wrong with the whole trail; empty where it is as it was written.
    `newest_hash`: of its last row, which whoever must know keeps elsewhere. `span`: UTC."""
    begin, end = span
    shown = tuple(_row(row) for row in rows)
    facts = [
        Fact("From", both_times(begin, zone)),
        Fact("To", both_times(end, zone)),
        Fact(
            "Trail", f"BROKEN: {printable(broken)}" if broken else "whole, each row carries the hash of the one before"
        ),
    ]
    if newest_hash is not None:
        facts.append(Fact("Newest hash", newest_hash.hex()))
    identity = f"{site} changes {begin:%Y-%m-%dT%H:%M:%SZ} to {end:%Y-%m-%dT%H:%M:%SZ}"
    table = Table("Changes", _COLUMNS, (Group("", shown),), empty="nobody has done anything")
    return Report("changes", "Changes", site, end, zone, identity, (table,), tuple(facts), simulated=simulated)


def _row(row: TrailRow) -> Row:
    body = _body(row.body)
    asked = body.get("asked")
    fields: Mapping[str, Any] = asked if isinstance(asked, dict) else {}
    instant = _EPOCH + timedelta(microseconds=row.instant_ns // 1000)
    about = ", ".join(f"{name} {_short(value)}" for name, value in fields.items() if name not in _SAID)
    cells: dict[str, Cell] = {
        "number": Decimal(row.number),
        "local": instant,
        "utc": instant,
        "by": printable(str(body.get("by", ""))) or "the gateway",
        "action": printable(kind_words(str(fields.get("action", "")))),
        "about": printable(about or str(body.get("text", ""))),
        "before": printable(_state(body.get("before"))),
        "after": printable(_state(body.get("after"))),
        "why": printable(str(body.get("why", ""))),
        "hash": row.hash.hex(),
    }
    return Row(cells)


def _body(text: str) -> dict[str, Any]:
    """A text that is not ours is told as it is."""
    try:
        plain = json.loads(text)
    except ValueError:
        return {"text": text}
    return plain if isinstance(plain, dict) else {"text": text}


def _state(state: Any) -> str:
    """Of entries their values, of an alarm its phase, of anything else what stands there."""
    if state is None:
        return "-"
    return ", ".join(_one(each) for each in state) if isinstance(state, list) else _one(state)


def _one(state: Any) -> str:
    if not isinstance(state, dict):
        return "-" if state is None else _short(state)
    if is_paper(state):
        return paper_words(state)
    if "phase" in state:
        return kind_words(str(state["phase"]))
    block = state.get("block")
    if not isinstance(block, dict):
        return _short(state)
    value = str(block.get("value", f"maintenance until {block.get('expires', '')}"))
    return value if state.get("what") == "entered" else f"{value} {state.get('what', '')}"


def _short(value: Any) -> str:
    """On one line; what is very long is in the trail itself."""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}\u2026"
