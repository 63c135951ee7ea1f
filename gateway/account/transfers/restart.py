"""What becomes of open transfers over a pause: they go on with the opening they have, and the gap is marked."""

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType

from gateway.account.paper import Outcome
from gateway.account.transfer import Gap
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.draft import Draft
from gateway.account.transfers.gaps import gap_after, gap_begun
from gateway.account.transfers.seen import Seen, is_doubted, motion_of
from gateway.account.transfers.words import minute
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion

__all__ = ["resumed"]

_EVER_S = float("-inf")


def resumed(
    book: TransferBook,
    before: Mapping[str, TankRecord],
    now: datetime,
    rested: Mapping[str, TankRecord] = MappingProxyType({}),
) -> tuple[TransferBook, Outcome] | None:
    """After a start, once, with the book by what is kept and the last record of each tank in the ledger.

    `rested`: of tanks whose last record is not at rest, or has no level, the last of the same boot that is and has;
    one of another boot is left aside, as what lies between cannot be told. Without it, what such a tank did before the
    pause without a transfer cannot be proposed any more.

    None: nothing is to be kept. Whether the rates bear out what moved meanwhile shows when there are sheets again;
    where they do not, or cannot, the ticket is Uncertain. What moved in a tank without a transfer is proposed then.
    """
    for tank, record in before.items():
        seen = book.seen[tank] = Seen()
        seen.last = record
        for each in (record, rested.get(tank, record)):
            is_known = each.identity.boot == record.identity.boot and not is_doubted(each)
            if seen.newer is None and is_known and motion_of(each) is Motion.AT_REST:
                # Older than any movement that is heard of from now on, whatever the new clock counts from.
                seen.newer, seen.newer_s = each, _EVER_S
    draft = Draft(book, now)
    for transfer in book.transfers.values():
        if not transfer.phase.has_begun:
            continue
        after = transfer
        for side in transfer.sides:
            last = before.get(side.tank)
            if side.closing is not None:
                continue
            if last is None:
                # Its last record is damaged, or gone with an older file: from when on nobody watched cannot be told.
                since = transfer.since if side.opening is None else side.opening.instant
                gap = Gap(side.tank, since, None, None)
                text = f"what {side.tank} did before {minute(now)} cannot be read: nobody watched it for a while"
            else:
                gap, since = gap_after(last), last.inventory.instant
                text = f"the gateway did not watch {side.tank} from {minute(since)} to {minute(now)}"
            after = gap_begun(after, gap, now, text)
        if after is not transfer:
            draft.put(after, EventKind.TRANSFER_CHANGED)
    return None if draft.is_empty else draft.result()
