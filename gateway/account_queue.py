"""Sheets that wait for the accounts while a disk holds them up: in order, bounded; of too many the plain ones go."""

from collections import deque

from gateway.tank_record import TankRecord

__all__ = ["WaitingSheets"]

_MOST = 4000
"""Each of some 20 kB; the ledger holds as many for the same disk."""


class WaitingSheets:
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
