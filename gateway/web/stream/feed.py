"""Hears of every sheet, and makes of it what viewers are told: a few times a second, once for all, while any looks.

A sheet only leaves a mark. What is marked becomes rows when somebody asks: each `TICK_S` while anybody looks, and for
the asking of the view. Rows are made a few at a time, so that no poll waits for many.
"""

import asyncio
import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping

import structlog

from gateway.tank_record import TankRecord
from gateway.web.stream.document import LiveDocument, Row, Stamp, made_row
from gateway.web.stream.parcel import Parcel
from gateway.web.stream.ring import Ring
from gateway.web.stream.source import LiveSource

__all__ = ["TICK_S", "Feed", "Place"]

TICK_S = 0.2
_PULSE_S = 1.7
"""Silence after which a sign of life goes out; with a tick it is less than two seconds."""
_OTHERS_S = 1.0
_LEAST_KEPT = 64 * 1024
"""Bytes of changes that are kept, be the whole view shorter."""
_AT_ONCE = 20
"""Rows; half a millisecond or so."""
_SITE = Parcel(b"event: site\ndata: {}\n\n")
_FAILED = "page.not_made"
_LOGGER = structlog.get_logger("gateway.web")


class Place:
    """How far a viewer has come. It has no more of its own: no change is held back for it."""

    def __init__(self, number: int | None, *, knows_site: bool) -> None:
        self.number = number
        """Of the last change it has; None: it has nothing."""
        self.knows_site = knows_site
        """Whether what it knows of the site holds still."""
        self.pulse = 0
        self.wake = asyncio.Event()
        """Set when there may be something new, or it is to look whether it is to end."""
        self.takes_at_once: Callable[[], bool] | None = None
        """While the viewer has all there was: has it take what is new where it stands; False: it is to be woken."""


class Feed:
    """All from the gateway's loop."""

    def __init__(self, source: LiveSource) -> None:
        self._source = source
        self._changed: dict[str, TankRecord] = {}
        self._document = LiveDocument()
        self._ring = Ring()
        self._turn = asyncio.Lock()
        self._places: set[Place] = set()
        self._somebody = asyncio.Event()
        self._site_version: int | None = None
        self._site_since = 0
        """Number from which on the site is what it is."""
        self._others_at_s = -_OTHERS_S
        self._pulse = 0
        self._woken_for = 0
        """Number of which the viewers have been told that it is there."""
        self._told_at_s = 0.0
        self._body = -1, Parcel(b"")
        """By the number of which it is."""
        self._pulse_told = 0, Parcel(b"")
        self._failed: set[str] = set()
        """What the log has been told of."""

    def heard(self, record: TankRecord) -> None:
        """Every record of every tank. Costs next to nothing, never raises."""
        self._changed[record.identity.tank] = record

    # Who looks

    @contextlib.contextmanager
    def watched_from(self, place: Place) -> Iterator[None]:
        """While somebody looks from there."""
        self._places.add(place)
        self._somebody.set()
        try:
            yield
        finally:
            self._places.discard(place)
            if not self._places:
                self._somebody.clear()

    @property
    def viewers(self) -> int:
        return len(self._places)

    def place(self, last_event_id: str | None) -> Place:
        """Where a viewer stands that names the last event it has; with nothing where that is not of this process."""
        boot, _, number = (last_event_id or "").rpartition(":")
        if boot == self._source.boot and number.isascii() and number.isdigit() and len(number) < 16:
            last = int(number)
            return Place(last, knows_site=last >= self._site_since)
        return Place(None, knows_site=last_event_id is None)

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            await self._somebody.wait()
            await self._look()
            await asyncio.sleep(TICK_S)

    async def _look(self) -> None:
        try:
            await self.turn(all_of_it=False)
        except Exception as error:  # noqa: BLE001 - whatever it is, viewers hear nothing, and so see that it is old
            self._tell("turn", error)
            await asyncio.sleep(_PULSE_S)
            return
        now_s = _now_s()
        if self._ring.number != self._woken_for:
            # Also where somebody else has asked for a turn since.
            self._woken_for, self._told_at_s = self._ring.number, now_s
        elif now_s - self._told_at_s >= _PULSE_S:
            self._told_at_s = now_s
            self._pulse += 1
        else:
            return
        for place in self._places:
            self._wake(place)

    def _wake(self, place: Place) -> None:
        takes_at_once, place.takes_at_once = place.takes_at_once, None
        try:
            if takes_at_once is not None and takes_at_once():
                place.takes_at_once = takes_at_once
                return
        except Exception as error:  # noqa: BLE001 - one viewer must not keep the others from being told
            self._tell("viewer", error)
        place.wake.set()

    def _tell(self, what: str, error: Exception) -> None:
        """In the log, once for each kind: it may come several times a second."""
        kind = f"{what}: {type(error).__name__}"
        if kind not in self._failed:
            self._failed.add(kind)
            _LOGGER.error(_FAILED, what=what, exc_info=error)

    # What is told

    async def turn(self, *, all_of_it: bool = True) -> None:
        """Take in all that is new; without `all_of_it` numbers of totals that were told less than `_OTHERS_S` ago
        stay as they are."""
        async with self._turn:
            version = self._source.site_version()
            if version != self._site_version:
                await self._begin_anew(version)
                return
            changed, self._changed = self._changed, {}
            try:
                rows = await self._rows(changed.values())
                are_due = _now_s() - self._others_at_s >= _OTHERS_S
                members = self._due_members(rows, others=are_due)
                change = self._document.change(rows, members, self._stamp(), with_totals=all_of_it or are_due)
            except BaseException:
                self._changed = changed | self._changed
                raise
            if change is not None:
                event = Parcel(self._event(b"change", change, self._ring.number + 1))
                self._ring.add(event, at_most=max(_LEAST_KEPT, self._document.size))

    async def _begin_anew(self, version: int) -> None:
        """Another site, or the first look at it: nothing of before is told on."""
        is_first = self._site_version is None
        self._changed.clear()
        rows = await self._rows(self._source.records())
        # Where anything of it fails, what was told stays what is there until it is tried again.
        document = LiveDocument()
        members = {**self._source.alarms(), **self._source.others()}
        document.change(rows, members, self._stamp())
        self._others_at_s = _now_s()
        self._document = document
        self._ring.begin_anew()
        self._site_version, self._site_since = version, self._ring.number
        if not is_first:
            for place in self._places:
                place.knows_site = False

    async def _rows(self, records: Iterable[TankRecord]) -> dict[str, Row]:
        rows: dict[str, Row] = {}
        maintenance = self._source.maintenance()
        for number, record in enumerate(records):
            tank = record.identity.tank
            try:
                rows[tank] = made_row(record, maintenance.get(tank, ()))
            except Exception as error:  # noqa: BLE001 - one tank must not keep the others from being seen
                self._tell(f"row of {tank}", error)
            if number % _AT_ONCE == _AT_ONCE - 1:
                await asyncio.sleep(0)
        return rows

    def _due_members(self, rows: dict[str, Row], *, others: bool) -> Mapping[str, object]:
        if others:
            self._others_at_s = _now_s()
            return {**self._source.others(), **self._source.alarms()}
        if any(self._has_other_alarms(tank, row) for tank, row in rows.items()):
            return self._source.alarms()
        return {}

    def _has_other_alarms(self, tank: str, row: Row) -> bool:
        before = self._document.rows.get(tank)
        return before is None or before.standings != row.standings

    def _stamp(self) -> Stamp:
        return Stamp(self._source.now(), self._source.machine_now())

    def _event(self, kind: bytes, data: bytes, number: int) -> bytes:
        return b"id: %s:%d\nevent: %s\ndata: %s\n\n" % (self._source.boot.encode(), number, kind, data)

    def _head(self) -> bytes:
        return self._document.head(f"{self._source.boot}:{self._ring.number}", self._stamp())

    def _rest(self) -> Parcel:
        """All of the whole view but its head, made once for all who begin, with the end of an event."""
        number = self._ring.number
        if self._body[0] != number:
            self._body = number, Parcel(self._document.body() + b"}\n\n")
        return self._body[1]

    def whole(self) -> list[Parcel]:
        """The whole view, with line ends after it. `turn` before."""
        return [Parcel(self._head()), self._rest()]

    def next_for(self, place: Place) -> list[Parcel]:
        """Events that bring a viewer to the present; none where it is there. It is there then."""
        place.wake.clear()
        now = self._ring.number
        told = []
        if not place.knows_site:
            place.knows_site = True
            told.append(_SITE)
        missed = None if place.number is None or told else self._ring.since(place.number)
        if missed is None:
            told += [Parcel(self._event(b"view", self._head(), now)[: -len(b"\n\n")]), self._rest()]
        else:
            told += missed
        if not told and place.pulse != self._pulse:
            if self._pulse_told[0] != self._pulse:
                self._pulse_told = self._pulse, Parcel(b"event: pulse\ndata: {%s}\n\n" % self._stamp().text)
            told.append(self._pulse_told[1])
        place.number, place.pulse = now, self._pulse
        return told


def _now_s() -> float:
    return asyncio.get_running_loop().time()
