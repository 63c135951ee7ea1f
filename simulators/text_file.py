"""The door for files that people name: a regular file of bounded size, in UTF-8, or a sentence."""

import os
import stat
from pathlib import Path

from simulators.errors import ScenarioError

__all__ = ["read_text"]

_LARGEST = 4_000_000


def read_text(path: Path, where: str = "") -> str:
    """The text of a scenario file. Raises ScenarioError, whose sentence begins with `where`."""
    hint = "give the name of a YAML file"
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            # Neither a pipe nor a device: the one would keep this waiting, the other go on without end.
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise ScenarioError(f"{where}{path}: is no regular file; {hint}")
            data = file.read(_LARGEST + 1)
    except OSError as exc:
        raise ScenarioError(f"{where}{path}: cannot be read ({exc.strerror}); {hint}") from exc
    if len(data) > _LARGEST:
        raise ScenarioError(f"{where}{path}: is larger than {_LARGEST / 1e6:g} MB, which no scenario is; {hint}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        raise ScenarioError(f"{where}{path}: is not UTF-8 text; save it as UTF-8") from exc


def _without_waiting(name: str, flags: int) -> int:
    return os.open(name, flags | os.O_NONBLOCK)
