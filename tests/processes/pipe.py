"""A pipe that a test reads, or leaves alone."""

import json
import os
import select
from contextlib import suppress
from typing import Any

__all__ = ["Pipe"]


class Pipe:
    """A pipe, and all that ever came out of it."""

    def __init__(self) -> None:
        self.reading, self.writing = os.pipe()
        os.set_blocking(self.reading, False)
        self._read = b""

    def fill(self) -> None:
        """Not a byte more goes in, until somebody reads."""
        os.set_blocking(self.writing, False)
        with suppress(BlockingIOError):
            while True:
                os.write(self.writing, b"\n" * select.PIPE_BUF)
        os.set_blocking(self.writing, True)

    def logged(self) -> list[dict[str, Any]]:
        with suppress(BlockingIOError):
            while some := os.read(self.reading, 65536):
                self._read += some
        whole = self._read.rpartition(b"\n")[0]
        return [json.loads(line) for line in whole.splitlines() if line]

    def close(self) -> None:
        for descriptor in (self.reading, self.writing):
            with suppress(OSError):  # which a test has closed
                os.close(descriptor)
