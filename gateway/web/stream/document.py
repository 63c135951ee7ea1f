"""The live view as it stands, each part of it encoded once, and what of it is another than it was.

A part is another when its text is: so whoever applies every change to the view before it has the view after it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import isfinite
from typing import Any, NamedTuple

import orjson

from gateway.payload.page_view import VIEW_SCHEMA, AtWork, row_document, total_documents
from gateway.payload.plain import iso_time
from gateway.records import Figure
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
        self._has_old_totals = True
        self.size = 0
        """About how many bytes the whole view has."""

    def change(
        self, rows: Mapping[str, Row], members: Mapping[str, Any], stamp: Stamp, *, with_totals: bool = True
    ) -> bytes | None:
        """Take these in. The object that tells what is another now; None: nothing is.

        Without `with_totals` they stay those of before, unless another part of them is Bad, Uncertain or there at all.
        """
        news = {tank: row for tank, row in rows.items() if not self._has(tank, row)}
        after = {**self.rows, **rows}
        told = dict(members)
        is_old = self._has_old_totals or bool(news)
        if is_old and (with_totals or any(self._counts_otherwise(tank, row) for tank, row in news.items())):
            told["totals"] = total_documents(row.holding for row in after.values())
            is_old = False
        encoded = {name: orjson.dumps(value) for name, value in told.items()}
        changed = {name: text for name, text in encoded.items() if self._members.get(name) != text}
        # Nothing is taken in of what could not be told.
        self.size += sum(len(row.text) - self._length_of(tank) for tank, row in news.items())
        self.size += sum(len(text) - len(self._members.get(name, b"")) for name, text in changed.items())
        self.rows = after
        self._members |= changed
        self._has_old_totals = is_old
        if not news and not changed:
            return None
        return _object([stamp.text, b'"tanks":' + _rows(news), *_members(changed)])

    def _has(self, tank: str, row: Row) -> bool:
        before = self.rows.get(tank)
        return before is not None and before.text == row.text

    def _length_of(self, tank: str) -> int:
        before = self.rows.get(tank)
        return 0 if before is None else len(before.text)

    def _counts_otherwise(self, tank: str, row: Row) -> bool:
        before = self.rows.get(tank)
        return before is None or _counted(before.holding) != _counted(row.holding)

    def body(self) -> bytes:
        """The members of the whole view, but for those of when and which it is."""
        return b",".join([b'"tanks":' + _rows(self.rows), *_members(self._members)])

    @staticmethod
    def head(feed: str, stamp: Stamp) -> bytes:
        """What the whole view begins with; its body follows, and a brace that closes it."""
        return b'{"schema":"%s","feed":%s,%s,' % (VIEW_SCHEMA.encode(), orjson.dumps(feed), stamp.text)


def _counted(holding: Holding) -> tuple[object, ...]:
    """All that totals say of a tank but the sum of its numbers."""
    product, gsv, mass, *others = holding
    return product, gsv.quality, _is_number(gsv), mass.quality, _is_number(mass), *others


def _is_number(figure: Figure) -> bool:
    return figure.value is not None and isfinite(figure.value)


def _rows(rows: Mapping[str, Row]) -> bytes:
    return _object([orjson.dumps(tank) + b":" + row.text for tank, row in rows.items()])


def _members(members: Mapping[str, bytes]) -> list[bytes]:
    return [orjson.dumps(name) + b":" + text for name, text in members.items()]


def _object(members: Sequence[bytes]) -> bytes:
    return b"{" + b",".join(members) + b"}"
