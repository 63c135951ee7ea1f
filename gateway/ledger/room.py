"""Whether there is room for what a ledger is to keep: what a person wants to know before it is full."""

from pathlib import Path

from gateway.ledger.plan import LedgerPlan
from gateway.ledger.retention import free_bytes
from gateway.sentences import duration_words

__all__ = ["RECORD_BYTES", "room_warnings"]

RECORD_BYTES = 700
"""What a record takes in the file, its inputs included, where a tank is never like itself; of tanks of all kinds it is
460 on average. Events, plans and trends are little beside that."""


def room_warnings(plan: LedgerPlan, tanks: int, file: Path | None) -> list[str]:
    """What will not fit, each a sentence: `keep` into `largest`, and `largest` on the disk of `file`.

    Records that come because something has changed are not foreseen. Looks at the disk.
    """
    return [each for each in (_too_small(plan, tanks), None if file is None else _disk_too_small(plan, file)) if each]


def _too_small(plan: LedgerPlan, tanks: int) -> str:
    records = round(tanks * plan.keep_s / plan.every_s)
    needed_bytes = records * RECORD_BYTES
    if needed_bytes <= plan.largest_bytes:
        return ""
    lasts_s = plan.keep_s * plan.largest_bytes / needed_bytes
    what = "one tank" if tanks == 1 else f"{tanks} tanks"
    return (
        f"`keep` of {plan.keep_s / 3600.0:g} h for {what} every {plan.every_s:g} s are {records:,} records, about"
        f" {_size(needed_bytes)}, and `largest` is {_size(plan.largest_bytes)}: that is full after"
        f" {duration_words(lasts_s)}"
    )


def _disk_too_small(plan: LedgerPlan, file: Path) -> str:
    free = free_bytes(file.parent)
    if free is None:
        return ""
    room_bytes = free + sum(each.stat().st_size for each in (file, Path(f"{file}-wal")) if each.exists())
    if room_bytes >= plan.largest_bytes:
        return ""
    return (
        f"`largest` is {_size(plan.largest_bytes)}, and the disk of {file} has room for {_size(room_bytes)}, with what"
        " is there already: the oldest history goes when that is used"
    )


def _size(count: float) -> str:
    """Of bytes."""
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"
