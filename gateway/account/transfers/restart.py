"""What becomes of open transfers over a pause: they go on with the opening they have, and the gap is marked."""

from collections.abc import Mapping
from datetime import datetime

from gateway.account.paper import Outcome
from gateway.account.transfers.book import TransferBook
from gateway.account.transfers.draft import Draft
from gateway.account.transfers.gaps import gap_after, gap_begun
from gateway.account.transfers.seen import Seen, is_doubted, motion_of
from gateway.account.transfers.words import minute
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion

__all__ = ["resumed"]

_EVER_S = float("-inf")


def resumed(book: TransferBook, before: Mapping[str, TankRecord], now: datetime) -> tuple[TransferBook, Outcome] | None:
    """After a start, once, with the book by what is kept and the last record of each tank in the ledger.

    None: nothing is to be kept. Whether the rates bear out what moved meanwhile shows when there are sheets again;
    where they do not, or cannot, the ticket is Uncertain. What moved in a tank without a transfer is proposed then.
    """
    for tank, record in before.items():
        seen = book.seen[tank] = Seen()
        seen.last = record
        if motion_of(record) is Motion.AT_REST and not is_doubted(record):
            # Older than any movement that is heard of from now on, whatever the new clock counts from.
            seen.newer, seen.newer_s = record, _EVER_S
    draft = Draft(book, now)
    for transfer in book.transfers.values():
        if not transfer.phase.has_begun:
            continue
        after = transfer
        for side in transfer.sides:
            last = before.get(side.tank)
            if last is None or side.closing is not None:
                continue
            since = last.inventory.instant
            text = f"the gateway did not watch {side.tank} from {minute(since)} to {minute(now)}"
            after = gap_begun(after, gap_after(last), now, text)
        if after is not transfer:
            draft.put(after, EventKind.TRANSFER_CHANGED)
    return None if draft.is_empty else draft.result()
