"""What is kept of changes to the site file, in a folder of the state directory. Blocks: for a thread of its own.

Each thing is one file, whole on the disk before the next is begun, so that a crash between any two leaves what was
before it and nothing half done.
"""

import os
import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from gateway.errors import GatewayError
from gateway.files import UnreadableError, read_bytes, replace_whole
from gateway.site_desk.proposal import Change, Proposal, Version, read_kept, written

__all__ = ["Store"]

_MOST = 50
"""Versions, and proposals that were decided on: the oldest go."""
_LARGEST = 20_000_000
_NUMBERED = re.compile(r"(proposal|version)-(\d{6})\.json")
_LAST = "last-change.json"
T = TypeVar("T", Proposal, Change, Version)


class Store:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.times_kept = 0
        """How often a proposal was kept, or something of one: whoever has read them knows whether to read again."""

    def proposals(self) -> list[Proposal]:
        """The oldest first; one that cannot be read is none."""
        return self._all(Proposal)

    def versions(self) -> list[Version]:
        """The oldest first."""
        return self._all(Version)

    def proposal(self, number: int) -> Proposal | None:
        return next((each for each in self.proposals() if each.number == number), None)

    def text_of(self, number: int) -> bytes | None:
        """Of a version, as it stood on the disk."""
        try:
            return read_bytes(self.folder / f"version-{number:06d}.yaml", _LARGEST)
        except UnreadableError:
            return None

    def last_change(self) -> Change | None:
        """Raises GatewayError where it is there and cannot be read: then nothing is to be changed on top of it."""
        path = self.folder / _LAST
        try:
            data = read_bytes(path, _LARGEST)
        except UnreadableError as error:
            if error.missing:
                return None
            raise
        try:
            found: Change = read_kept(Change, data)
        except GatewayError as error:
            raise GatewayError(f"{path}: {error}") from error
        return found

    def next_number(self, kind: type[Proposal] | type[Version]) -> int:
        """No number is given twice, also where a file of one cannot be read."""
        return max(self._numbers(kind), default=0) + 1

    def keep(self, kept: Proposal | Change) -> None:
        """Raises OSError."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        name = _LAST if isinstance(kept, Change) else f"proposal-{kept.number:06d}.json"
        replace_whole(str(self.folder / name), written(kept))
        self.times_kept += 1

    def keep_version(self, version: Version, data: bytes) -> None:
        """The text first: what tells of it is there only when it is. Raises OSError."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        name = self.folder / f"version-{version.number:06d}"
        replace_whole(f"{name}.yaml", data)
        replace_whole(f"{name}.json", written(version))

    def tidy(self, waiting: Iterable[int]) -> None:
        """The oldest of what nobody waits for go, when there are many."""
        kept = set(waiting)
        decided = [number for number in sorted(self._numbers(Proposal)) if number not in kept]
        for number in decided[:-_MOST]:
            self._remove(f"proposal-{number:06d}.json")
        for number in sorted(self._numbers(Version))[:-_MOST]:
            self._remove(f"version-{number:06d}.json")
            self._remove(f"version-{number:06d}.yaml")

    def _remove(self, name: str) -> None:
        with suppress(OSError):
            os.unlink(self.folder / name)

    def _numbers(self, kind: type[Any]) -> list[int]:
        try:
            names = os.listdir(self.folder)
        except OSError:
            return []
        word = kind.__name__.lower()
        return [int(found[2]) for name in names if (found := _NUMBERED.fullmatch(name)) and found[1] == word]

    def _all(self, kind: type[T]) -> list[T]:
        found = []
        for number in sorted(self._numbers(kind)):
            with suppress(GatewayError):
                data = read_bytes(self.folder / f"{kind.__name__.lower()}-{number:06d}.json", _LARGEST)
                found.append(read_kept(kind, data))
        return found
