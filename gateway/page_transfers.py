"""Pure: open transfers as the page lists them: what, how far, how fast, and when by the clock it will be done."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from gateway.account.plan import AccountPlan
from gateway.account.transfer import Transfer
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.doubts import settled_at
from gateway.account.transfers.progress import Progress, progress
from gateway.payload.page_view import figure_document
from gateway.payload.plain import iso_time
from gateway.tank_record import TankRecord

__all__ = ["open_transfers"]

_KILOGRAMS = ("mass", "weight_in_air", "net_mass", "net_weight_in_air", "solute_mass", "vapour_mass", "total_mass")


def open_transfers(
    plan: AccountPlan, book: TransferBook, sheets: Mapping[str, TankRecord], now: datetime
) -> list[dict[str, Any]]:
    """Those that are not over, by number. Raises DeliveryError for a time without a zone."""
    return [
        _document(transfer, progress(transfer, sheets, now), settled_at(plan, transfer, sheets, book.seen, now), now)
        for _, transfer in sorted(book.transfers.items())
    ]


def _document(transfer: Transfer, course: Progress, settled: datetime | None, now: datetime) -> dict[str, Any]:
    unit = "kg" if course.measure in _KILOGRAMS else "m3"
    ordered = course.planned
    moved = course.moved.get(course.measure)
    return {
        "number": transfer.number,
        "kind": transfer.kind.value,
        "phase": transfer.phase.value,
        "tanks": [{"tank": side.tank, "direction": side.direction.value} for side in transfer.sides],
        "product": transfer.product,
        "partner": transfer.partner,
        "reference": transfer.reference,
        "since": iso_time(transfer.since),
        "began": _time(transfer.began),
        "measure": course.measure,
        "ordered": None if ordered is None else {"v": ordered, "u": unit},
        "moved": None if moved is None else figure_document(moved, unit, now),
        "missing": None if ordered is None else figure_document(course.missing, unit, now),
        "rate": figure_document(course.rate, "m3/s", now),
        "finish": _time(course.finish),
        "settled": _time(settled),
        "waits_for": transfer.waits_for or None,
    }


def _time(instant: datetime | None) -> str | None:
    return None if instant is None else iso_time(instant)
