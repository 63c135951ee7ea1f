"""What a site is read from: files of the disk, or texts in the place of some of them; and what was read.

A text that nobody has put on the disk yet is found by its path like a file there, so that it is checked beside all that
it names, and nothing of the site's folder is touched for it.
"""

import hashlib
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

from gateway.files import UnreadableError, read_bytes, text_of, trouble_with

__all__ = ["SourceFile", "SourceFiles", "sha256_of"]

_NONE: Mapping[Path, str] = MappingProxyType({})


class SourceFile(NamedTuple):
    """One that was read, as it was then."""

    path: Path
    sha256: str
    """Of its bytes, in hexadecimal digits."""
    size: int
    """In bytes."""


class SourceFiles:
    """`read`: every file in the order in which they were read first; `first`: the text of the first of them."""

    def __init__(self, given: Mapping[Path, str] = _NONE, may_read: Callable[[Path], bool] = lambda _: True) -> None:
        """`given`: by its path, a text in the place of a file. `may_read`: of a path with all links followed, whether
        a file of the disk there may be looked at."""
        self._given = {_real(path): text for path, text in given.items()}
        self._may_read = may_read
        self._read: dict[Path, SourceFile] = {}
        self.first = ""

    @property
    def read(self) -> tuple[SourceFile, ...]:
        return tuple(self._read.values())

    def text(self, path: Path, largest_bytes: int) -> str:
        """Raises UnreadableError, as `files.read_text` does."""
        given = self._given.get(_real(path))
        if given is None:
            if (refused := self._refused(path)) is not None:
                raise refused
            data = read_bytes(path, largest_bytes)
        else:
            data = given.encode()
            if len(data) > largest_bytes:
                limit = f"{largest_bytes / 1e6:g} MB"
                raise UnreadableError(path, f"is larger than {limit}, and no file of its kind needs to be")
        text = text_of(path, data)
        if not self._read:
            self.first = text
        self._read.setdefault(_real(path), SourceFile(path, sha256_of(data), len(data)))
        return text

    def trouble_with(self, path: Path) -> UnreadableError | None:
        """As `files.trouble_with`."""
        if _real(path) in self._given:
            return None
        return self._refused(path) or trouble_with(path)

    def _refused(self, path: Path) -> UnreadableError | None:
        if self._may_read(_real(path)):
            return None
        return UnreadableError(path, "lies where nothing of this site has been read from so far")


def sha256_of(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _real(path: Path) -> Path:
    """Where it leads, links followed; a name that no file can have leads nowhere else."""
    try:
        return Path(os.path.realpath(path))
    except ValueError:
        return path
