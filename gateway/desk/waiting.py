"""What waits for the disk in the accounts: what is on its way there, and the sheets that come meanwhile, bounded."""

from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass

from gateway.account.paper import Outcome
from gateway.account.transfers.book import TransferBook
from gateway.tank_record import TankRecord

__all__ = ["Held", "WaitingSheets"]

_MOST = 4000
"""Each of some 20 kB; the ledger holds as many for the same disk."""


@dataclass(slots=True)
class Held:
    """On its way to the disk."""

    future: "Future[None]"
    outcome: Outcome
    book: TransferBook | None
    """That holds once it is there; None: the book does not change."""
    by_itself: bool
    """Whether it is tried again until the disk takes it; else whoever asked is told."""
    audit: str
    by: str


class WaitingSheets:
    """In order; of too many the plain ones go."""

    def __init__(self) -> None:
        self._sheets: deque[TankRecord] = deque()
        self.left_out = 0
        """Since the start; a tank whose sheets were left out has a gap that its transfer tells of."""

    def __len__(self) -> int:
        return len(self._sheets)

    def add(self, record: TankRecord) -> None:
        self._sheets.append(record)
        if len(self._sheets) > _MOST:
            self._thin()

    def next(self) -> TankRecord:
        """Raises IndexError where none waits."""
        return self._sheets.popleft()

    def _thin(self) -> None:
        """What happened stays, and of each tank the newest; then every other one."""
        newest = {record.identity.tank: record for record in self._sheets}
        kept = [
            record
            for place, record in enumerate(self._sheets)
            if record.events or record is newest[record.identity.tank] or place % 4 == 0
        ]
        kept = kept[-_MOST // 2 :]
        self.left_out += len(self._sheets) - len(kept)
        self._sheets = deque(kept)
