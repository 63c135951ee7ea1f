"""Types a command as a person would, in this process, and gives back what it said."""

from typing import Any, NamedTuple

import orjson
import pytest

from gateway.command_line import main
from gateway.commands.technician.line_guard import NOT_CHECKED

__all__ = ["Said", "typed"]

_UNCHECKED = f"tank-gateway: {NOT_CHECKED}\n"


class Said(NamedTuple):
    code: int
    out: str
    err: str
    unchecked: bool
    """Whether it said that no gateway could be asked about the line: in front of everything, and left out of `err`."""

    @property
    def document(self) -> dict[str, Any]:
        decoded: dict[str, Any] = orjson.loads(self.out)
        return decoded


def typed(capsys: pytest.CaptureFixture[str], *words: str) -> Said:
    capsys.readouterr()
    code = main(words)
    out, err = capsys.readouterr()
    told = err.removeprefix(_UNCHECKED)
    return Said(code, out, told, told != err)
