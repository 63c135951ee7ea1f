"""The file of the people of a site, in the state directory: one process has it, reads it once, and alone writes it."""

import fcntl
import os
from pathlib import Path

from gateway.errors import GatewayError
from gateway.files import UnreadableError, read_text, replace_whole
from gateway.process.memory_file import file_name
from gateway.web.access.book import Book, PeopleFileError, book_from, lines_of

__all__ = ["PeopleFile", "people_path"]

_LARGEST_BYTES = 4_000_000


def people_path(directory: Path, site: str) -> Path:
    return directory / f"{file_name(site)}.people.json"


class PeopleFile:
    """Blocks, and so belongs into a thread of its own where a loop runs."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._held: int | None = None

    def hold(self) -> None:
        """Have it, until `release` or the end of the process. Raises GatewayError where another process has it, or the
        folder cannot be written."""
        if self._held is not None:
            return
        # A file beside it: this one is replaced at each change, and a lock goes with the file that it is on.
        lock = f"{self.path}.lock"
        try:
            descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        except OSError as error:
            raise GatewayError(f"cannot keep people in {self.path.parent}: {_words(error)}") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            held = GatewayError(f"{self.path} is in the hands of another process")
            held.hint = "a gateway of this site runs, or somebody changes its people at this moment"
            raise held from error
        self._held = descriptor

    def release(self) -> None:
        if self._held is not None:
            os.close(self._held)
            self._held = None

    def read(self) -> Book:
        """What was kept; nobody where there is no file. Raises GatewayError that names file and line."""
        try:
            text = read_text(self.path, _LARGEST_BYTES)
        except UnreadableError as error:
            if error.missing:
                return Book({}, {}, {})
            raise
        try:
            return book_from(text)
        except PeopleFileError as error:
            wrong = GatewayError(f"{self.path}:{error.line}: {error.cause}")
            wrong.hint = error.hint
            raise wrong from error

    def write(self, book: Book) -> None:
        """Replace the file, for its owner alone, or leave it as it is and raise OSError."""
        replace_whole(str(self.path), "".join(lines_of(book)).encode("utf-8", "strict"))


def _words(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
