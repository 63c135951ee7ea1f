"""What is packed and waits for its commit, within bounds. For the writer's thread alone."""

import os
from collections.abc import Iterable

import structlog

from gateway.history import GATEWAY
from gateway.kept_memory import KeptWatch
from gateway.ledger.blocks import EVENT, RECORD
from gateway.ledger.codec import Encoder
from gateway.ledger.forms import FormedEncoder
from gateway.ledger.intake import GivenEvent, GivenRecord
from gateway.ledger.rows import Piece
from gateway.ledger.summaries import glance_of
from gateway.tank_record import Event, Identity

__all__ = ["Pending"]

LEDGER_UNWRITABLE = "ledger.unwritable"

_LARGEST_BYTES = 32_000_000
"""Some 75,000 records: an hour of 200 tanks every 10 s."""
_HEAVY_BYTES = _LARGEST_BYTES // 4
_EVENTS_BEYOND_BYTES = 2_000_000
"""When records are refused, there is room yet for what happened."""


class Pending:
    """Pieces of history in their order."""

    def __init__(self, site: str, boot: str, encoder: Encoder) -> None:
        self._site = site
        self._boot = boot
        self._encoder = encoder
        self._records = FormedEncoder(encoder)
        self._log = structlog.get_logger("gateway.ledger")
        self._gateway_events = 0
        self.size_bytes = 0
        self.pieces: list[Piece] = []
        self.watches: dict[str, KeptWatch] = {}
        """By tank: what the watch remembers after the events that wait here."""
        self._unwritable: set[str | None] = set()
        """Tanks of which one could not be written, which was said."""

    def take(self, given: Iterable[GivenRecord | GivenEvent]) -> list[GivenRecord | GivenEvent]:
        """Pack them; those that there is no room for."""
        refused = []
        for each in given:
            is_event = isinstance(each, GivenEvent)
            if self.size_bytes >= _LARGEST_BYTES + (_EVENTS_BEYOND_BYTES if is_event else 0):
                refused.append(each)
                continue
            try:
                self._add(self.packed(each) if isinstance(each, GivenEvent) else self._record(each))
                if isinstance(each, GivenEvent) and each.watch is not None:
                    self.watches[each.watch.tank] = each.watch
            except Exception:  # noqa: BLE001 - one that cannot be written must not keep those behind it from being kept
                self._tell_unwritable(each)
                refused.append(each)
            # The loop that polls has its turn between two of them; a sleep of no length would take 50 us each time.
            os.sched_yield()
        return refused

    def _tell_unwritable(self, each: GivenRecord | GivenEvent) -> None:
        """Once for each tank: where one of its sheets cannot be written, the next cannot either."""
        identity = each.record.identity if isinstance(each, GivenRecord) else each.identity
        tank = None if identity is None else identity.tank
        if tank not in self._unwritable:
            self._unwritable.add(tank)
            self._log.exception(LEDGER_UNWRITABLE, tank=tank, hint="each that follows is counted as lost")

    @property
    def is_heavy(self) -> bool:
        """Whether so much waits that it is to be committed before its time: a large site with a long interval of
        commits would else fill the room that is there for a disk that fails."""
        return self.size_bytes >= _HEAVY_BYTES

    def clear(self) -> None:
        """All of it is on the disk."""
        self.pieces = []
        self.watches = {}
        self.size_bytes = 0

    def of_gateway(self, event: Event) -> Piece:
        """An event of the gateway itself, not among those that wait."""
        return self.packed(GivenEvent(None, 0, event))

    def add_of_gateway(self, event: Event) -> None:
        """The same behind those that wait, whatever room there is."""
        self._add(self.of_gateway(event))

    def packed(self, given: GivenEvent) -> Piece:
        """An event, not among those that wait."""
        identity = given.identity
        if identity is None:
            self._gateway_events += 1
            identity = Identity(self._site, GATEWAY, self._boot, self._gateway_events)
        instant_ns = round(given.event.instant.timestamp() * 1e9)
        body = self._encoder.event_body(given.event)
        return Piece(EVENT, identity, given.number, instant_ns, self._encoder.number, body, None)

    def _record(self, given: GivenRecord) -> Piece:
        record, previous = given
        instant_ns = round(record.tank_input.instant.timestamp() * 1e9)
        dictionary, body, form = self._records.record(record)
        glance = glance_of(record.inventory.figures)
        return Piece(RECORD, record.identity, 0, instant_ns, dictionary, body, previous, glance, form)

    def _add(self, piece: Piece) -> None:
        self.pieces.append(piece)
        self.size_bytes += len(piece.body)
