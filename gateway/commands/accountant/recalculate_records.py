"""Recorded inventories read back: the lines an MQTT subscriber or `/inventories` gave, and earlier recalculations."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from gateway.errors import SettingsError, UsageError
from gateway.files import UnreadableError, lines_of
from gateway.payload.history import HISTORY_SCHEMA
from gateway.payload.reader import identity_of, inventory_of
from gateway.payload.writer import INVENTORIES_SCHEMA, INVENTORY_SCHEMA, INVENTORY_VERSION_SCHEMA
from gateway.records import Inventory
from gateway.tank_record import Identity

__all__ = ["Record", "RecordFile"]

_OF_A_TANK = (INVENTORY_SCHEMA, HISTORY_SCHEMA, INVENTORY_VERSION_SCHEMA)
_LONGEST_LINE = 64_000_000
"""All tanks of a large site, as `/inventories` gives them."""


class Record(NamedTuple):
    line: int
    identity: Identity
    inventory: Inventory
    valid_for_s: float | None
    version: int
    """0: as it was delivered."""


class RecordFile:
    """The records of one tank in a file, in its order; counts what it passes over."""

    def __init__(self, path: Path, site: str, tank: str) -> None:
        self.path = path
        self._site = site
        self._tank = tank
        self.repeated = 0
        """Records whose identity and version had come already."""
        self.of_others = 0
        """Records of other tanks or sites, and messages that are no inventories."""
        self.superseded = 0
        """Records of which the file holds a later version too."""
        self.cut = False
        """Whether the last line breaks off, as one that is being written does."""
        self._latest: dict[tuple[str, int], int] = {}
        """(boot, sequence) -> the highest version, where that is not 0."""

    def look_through(self) -> int:
        """The highest version in the file. From then on only the latest version of each record is given.

        Raises as iterating does.
        """
        highest = 0
        for found in self:
            if found.version:
                key = found.identity.boot, found.identity.sequence
                self._latest[key] = max(found.version, self._latest.get(key, 0))
                highest = max(highest, found.version)
        self.repeated = self.of_others = 0
        return highest

    def __iter__(self) -> Iterator[Record]:
        """Raises UsageError where there is no such file, SettingsError for a line that is not understood."""
        seen: dict[tuple[str, int], set[int]] = {}
        try:
            for number, line in enumerate(lines_of(self.path, _LONGEST_LINE), start=1):
                if not line.strip():
                    continue
                for payload in self._payloads(number, line):
                    found = self._record(number, payload)
                    if found is None:
                        self.of_others += 1
                        continue
                    if found.version < self._latest.get((found.identity.boot, found.identity.sequence), 0):
                        self.superseded += 1
                        continue
                    sequences = seen.setdefault((found.identity.boot, found.version), set())
                    if found.identity.sequence in sequences:
                        self.repeated += 1
                        continue
                    sequences.add(found.identity.sequence)
                    yield found
        except UnreadableError as error:
            text = f"there is no file '{self.path}'" if error.missing else str(error)
            raise UsageError(text, "give a file of recorded inventories") from error

    def _payloads(self, number: int, line: bytes) -> list[Any]:
        # A subscriber may print the topic before the message, and (null) for one that cleared the topic.
        if line.split()[-1] == b"(null)":
            return [None]
        start = line.find(b"{")
        try:
            document = orjson.loads(line[max(start, 0) :])
        except orjson.JSONDecodeError as error:
            if not line.endswith(b"\n"):
                self.cut = True
                return []
            hint = "write one message a line, as it came"
            raise SettingsError((f"{self.path}:{number}: is not JSON ({error}); {hint}",)) from error
        if isinstance(document, dict) and document.get("schema") == INVENTORIES_SCHEMA:
            inventories = document.get("inventories")
            return inventories if isinstance(inventories, list) else []
        return [document]

    def _record(self, number: int, payload: Any) -> Record | None:
        """The record of the tank that was asked for; None where the message is another."""
        if not isinstance(payload, dict) or payload.get("schema") not in _OF_A_TANK:
            return None
        try:
            known = identity_of(payload)
            if (known.site, known.tank) != (self._site, self._tank):
                return None
            version = int(payload["version"]["number"]) if payload["schema"] == INVENTORY_VERSION_SCHEMA else 0
            # A record from before it was told has no time for which it holds.
            return Record(number, known, inventory_of(payload), payload.get("valid_for_s"), version)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            lacks = f"it has no {error}" if isinstance(error, KeyError) else str(error)
            text = f"is no inventory that this version understands: {lacks}"
            raise SettingsError((f"{self.path}:{number}: {text}; write messages as they came",)) from error
