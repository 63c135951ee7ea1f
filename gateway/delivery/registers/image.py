"""Pure: the registers as they stand now: the newest sheet of each tank, and what an address holds.

A sheet takes the place of the one before it whole, so that what one request reads of a block is of one sheet. A sheet
is made into registers when somebody reads it, once a second at most: where nobody reads, it costs nothing.
"""

from collections.abc import Mapping, Sequence

from gateway.delivery.registers.encode import HIDDEN, WAITING, Moment, block_bytes, header_bytes, is_last_word
from gateway.delivery.registers.layout import (
    BLOCK,
    MAP_VERSION,
    ORIGIN_CODES,
    TEST_FLOAT,
    TEST_INTEGER,
    Validity,
)
from gateway.records import Quality
from gateway.status import GatewaySnapshot, OpenTransfer
from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, Priority

__all__ = ["RegisterImage"]

_NS_PER_S = 1_000_000_000
_HEADER_HOLDS_NS = 100_000_000
"""It counts all tanks: a reader that asks without a pause must not make that dear."""
_NO_COUNT, _MOST, _NO_SECONDS = 65_535, 65_534, 2**32 - 1


class _Block:
    """What is known of one tank."""

    __slots__ = ("kinds", "record", "since_ns", "transfers", "written", "written_of", "written_record")

    def __init__(self) -> None:
        self.record: TankRecord | None = None
        self.since_ns = 0
        """When its sheet was made, by the clock that is never set."""
        self.kinds: frozenset[AlarmKind] | None = None
        self.transfers: tuple[OpenTransfer, ...] | None = None
        self.written = b""
        self.written_record: TankRecord | None = None
        self.written_of: tuple[object, ...] = ()
        """What `written` was made of beside the record."""


class RegisterImage:
    """Told of sheets and of the site; asked for registers. All times in ns of one clock that is never set."""

    def __init__(self, blocks: Mapping[str, int], order: str) -> None:
        """`blocks`: the number of each tank's block."""
        self._order = order
        self._tanks = {tank: _Block() for tank in blocks}
        self._blocks = {number: self._tanks[tank] for tank, number in blocks.items()}
        self._last_block = max(blocks.values(), default=0)
        self._heartbeat = 0
        self._heard_ns: int | None = None
        self._factor = 1.0
        """How many times as fast as the clock the time of the site passes."""
        self._header = b""
        self._header_ns: int | None = None
        self._time_s: float | None = None
        self._site_ns = 0
        self._origin = ORIGIN_CODES["unknown"]
        self._started_s = _NO_SECONDS
        self._alarms: Sequence[AlarmNow] | None = None
        """As they stood when they were last taken."""
        self._alarm_counts: dict[str, float] = {}
        self._counts: dict[str, float] = dict.fromkeys(_COUNTS, _NO_COUNT)

    def take(self, record: TankRecord, made_ns: int) -> None:
        """A sheet that was made at `made_ns`."""
        self._heartbeat += 1
        self._heard_ns = made_ns if self._heard_ns is None else max(made_ns, self._heard_ns)
        block = self._tanks.get(record.identity.tank)
        if block is not None:
            block.record, block.since_ns = record, made_ns

    def hear(self, site: GatewaySnapshot, now_ns: int) -> None:
        """How the whole does."""
        self._time_s, self._site_ns, self._factor = site.instant.timestamp(), now_ns, site.time_factor
        self._started_s = min(max(site.started_ns, 0) // _NS_PER_S, _NO_SECONDS)
        self._origin = ORIGIN_CODES["simulated" if site.simulated else "measured"]
        # Thousands, of which few ever change: to look at each again and again is two milliseconds of a large site.
        if self._alarms is None or site.alarms != self._alarms:
            self._alarms = site.alarms
            self._take_alarms(site.alarms)
        self._counts = self._alarm_counts | _counts_of(site)
        transfers: dict[str, list[OpenTransfer]] = {tank: [] for tank in self._tanks}
        for transfer in () if site.accounts is None else sorted(site.accounts.open, key=_furthest_on):
            for tank in transfer.tanks:
                if tank in transfers:
                    transfers[tank].append(transfer)
        for tank, block in self._tanks.items():
            block.transfers = None if site.accounts is None else tuple(transfers[tank])

    def _take_alarms(self, alarms: Sequence[AlarmNow]) -> None:
        kinds: dict[str, set[AlarmKind]] = {tank: set() for tank in self._tanks}
        for alarm in alarms:
            if alarm.tank in kinds:
                kinds[alarm.tank].add(alarm.standing.kind)
        for tank, block in self._tanks.items():
            block.kinds = frozenset(kinds[tank])
        self._alarm_counts = _alarm_counts_of(alarms)

    def read(self, address: int, count: int, now_ns: int) -> bytes | None:
        """`count` registers from `address`, two bytes each; None where not all of them are in the map."""
        pieces = []
        while count > 0:
            number, offset = divmod(address, BLOCK)
            whole = self._whole(number, now_ns)
            if whole is None or 2 * offset >= len(whole):
                return None
            pieces.append(whole[2 * offset : 2 * (offset + count)])
            taken = len(pieces[-1]) // 2
            address, count = address + taken, count - taken
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def _whole(self, number: int, now_ns: int) -> bytes | None:
        if number == 0:
            return self._header_at(now_ns)
        block = self._blocks.get(number)
        if block is None:
            return None
        validity, elapsed_s = self._validity(block, now_ns)
        of = (validity, int(elapsed_s), block.kinds, block.transfers)
        # The record by identity: to compare two takes as long as to write one.
        if block.written_record is not block.record or block.written_of != of:
            moment = Moment(validity, elapsed_s, block.kinds, block.transfers)
            block.written = block_bytes(block.record, moment, self._order)
            block.written_record, block.written_of = block.record, of
        return block.written

    def _validity(self, block: _Block, now_ns: int) -> tuple[Validity, float]:
        """And the age of its sheet, by the site's time."""
        record = block.record
        if record is None:
            return Validity.NO_SHEET, 0.0
        elapsed_s = max(now_ns - block.since_ns, 0) / _NS_PER_S * self._factor
        if is_last_word(record):
            return Validity.NOT_WATCHED, elapsed_s
        late = record.valid_for_s is None or elapsed_s > record.valid_for_s
        return (Validity.OVERDUE if late else Validity.LIVE), elapsed_s

    def _header_at(self, now_ns: int) -> bytes:
        if self._header_ns is None or not 0 <= now_ns - self._header_ns < _HEADER_HOLDS_NS:
            self._header_ns = now_ns
            self._header = header_bytes(self._site_numbers(now_ns), self._order)
        return self._header

    def _site_numbers(self, now_ns: int) -> dict[str, float]:
        qualities = [self._quality(block, now_ns) for block in self._tanks.values()]
        return {
            "map_version": MAP_VERSION,
            "block_size": BLOCK,
            "heartbeat": self._heartbeat % 65_536,
            "heartbeat_age": _NO_COUNT if self._heard_ns is None else self._seconds_since(self._heard_ns, now_ns),
            "time": self._time(now_ns),
            "origin": self._origin,
            "test.float": TEST_FLOAT,
            "test.integer": TEST_INTEGER,
            "tanks": len(qualities),
            "tanks.good": qualities.count(Quality.GOOD),
            "tanks.uncertain": qualities.count(Quality.UNCERTAIN),
            "tanks.bad": qualities.count(Quality.BAD),
            **self._counts,
            "last_block": self._last_block,
            "started": self._started_s,
        }

    def _seconds_since(self, then_ns: int, now_ns: int) -> int:
        return min(int(max(now_ns - then_ns, 0) / _NS_PER_S * self._factor), _MOST)

    def _time(self, now_ns: int) -> int:
        if self._time_s is None:
            return _NO_SECONDS
        now_s = self._time_s + (now_ns - self._site_ns) / _NS_PER_S * self._factor
        return int(now_s) if 0 <= now_s < _NO_SECONDS else _NO_SECONDS

    def _quality(self, block: _Block, now_ns: int) -> Quality:
        validity, _ = self._validity(block, now_ns)
        return block.record.inventory.quality if block.record and validity is Validity.LIVE else Quality.BAD


def _furthest_on(transfer: OpenTransfer) -> tuple[bool, int]:
    """What goes on before what is only planned."""
    return transfer.phase in ("proposed", "planned"), transfer.number


_COUNTS = (
    *(f"alarms.{priority}" for priority in Priority),
    "alarms.unacknowledged",
    "alarms.hidden",
    "alarms.gateway",
    "lines",
    "lines.lost",
    "transfers",
)


def _alarm_counts_of(alarms: Sequence[AlarmNow]) -> dict[str, float]:
    waiting = [alarm for alarm in alarms if alarm.standing.phase in WAITING]
    priorities = [alarm.standing.priority for alarm in waiting]
    counts = {
        **{f"alarms.{priority}": priorities.count(priority) for priority in Priority},
        "alarms.unacknowledged": sum(alarm.standing.phase is AlarmPhase.UNACKNOWLEDGED for alarm in waiting),
        "alarms.hidden": sum(alarm.standing.phase in HIDDEN for alarm in alarms),
        "alarms.gateway": sum(not alarm.tank for alarm in waiting),
    }
    return {name: min(count, _MOST) for name, count in counts.items()}


def _counts_of(site: GatewaySnapshot) -> dict[str, float]:
    return {
        "lines": min(len(site.lines), _MOST),
        "lines.lost": min(sum(not line.connected for line in site.lines), _MOST),
        "transfers": _NO_COUNT if site.accounts is None else min(len(site.accounts.open), _MOST),
    }
