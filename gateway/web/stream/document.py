"""The live view as it stands, each part of it encoded once, and what of it is another than it was.

A part is another when its text is: so whoever applies every change to the view before it has the view after it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

import orjson

from gateway.payload.page_view import VIEW_SCHEMA, AtWork, row_document, total_documents
from gateway.payload.plain import iso_time
from gateway.tank_record import TankRecord
from gateway.totals import Holding, holding_of

__all__ = ["LiveDocument", "Row", "Stamp", "made_row"]


class Row(NamedTuple):
    """One tank, encoded, and what the totals need of it."""

    text: bytes
    holding: Holding
    standings: Sequence[Any]
    """Its alarms that are not normal."""
    maintenance: Sequence[AtWork]


class Stamp(NamedTuple):
    """When something is told: UTC by the clock of the site, and by that of the machine."""

    site: datetime
    machine: datetime

    @property
    def text(self) -> bytes:
        """As members of an object."""
        return b'"time":"%s","machine_time":"%s"' % (iso_time(self.site).encode(), iso_time(self.machine).encode())


def made_row(record: TankRecord, maintenance: Sequence[AtWork]) -> Row:
    state, holding = record.state, holding_of(record.inventory)
    return Row(
        orjson.dumps(row_document(record, maintenance, holding)),
        holding,
        () if state is None else state.alarms,
        maintenance,
    )


class LiveDocument:
    """Rows by tank in the order of the site, and the members beside them."""

    def __init__(self) -> None:
        self.rows: dict[str, Row] = {}
        self._members: dict[str, bytes] = {}

    def change(self, rows: Mapping[str, Row], members: Mapping[str, Any], stamp: Stamp) -> bytes | None:
        """Take these in. The object that tells what is another now; None: nothing is."""
        news = {tank: row for tank, row in rows.items() if not self._has(tank, row)}
        after = {**self.rows, **rows}
        told = dict(members)
        if news or not self._members:
            told["totals"] = total_documents(row.holding for row in after.values())
        encoded = {name: orjson.dumps(value) for name, value in told.items()}
        changed = {name: text for name, text in encoded.items() if self._members.get(name) != text}
        # Nothing is taken in of what could not be told.
        self.rows = after
        self._members |= changed
        if not news and not changed:
            return None
        return _object([stamp.text, b'"tanks":' + _rows(news), *_members(changed)])

    def _has(self, tank: str, row: Row) -> bool:
        before = self.rows.get(tank)
        return before is not None and before.text == row.text

    @property
    def size(self) -> int:
        """About how many bytes the whole view has."""
        return sum(len(row.text) for row in self.rows.values()) + sum(map(len, self._members.values()))

    def body(self) -> bytes:
        """The members of the whole view, but for those of when and which it is."""
        return b",".join([b'"tanks":' + _rows(self.rows), *_members(self._members)])

    @staticmethod
    def head(feed: str, stamp: Stamp) -> bytes:
        """What the whole view begins with; its body follows, and a brace that closes it."""
        return b'{"schema":"%s","feed":%s,%s,' % (VIEW_SCHEMA.encode(), orjson.dumps(feed), stamp.text)


def _rows(rows: Mapping[str, Row]) -> bytes:
    return _object([orjson.dumps(tank) + b":" + row.text for tank, row in rows.items()])


def _members(members: Mapping[str, bytes]) -> list[bytes]:
    return [orjson.dumps(name) + b":" + text for name, text in members.items()]


def _object(members: Sequence[bytes]) -> bytes:
    return b"{" + b",".join(members) + b"}"
