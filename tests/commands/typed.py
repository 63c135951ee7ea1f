"""Types a command as a person would, in this process, and gives back what it said."""

from typing import Any, NamedTuple

import orjson
import pytest

from gateway.command_line import main

__all__ = ["Said", "typed"]


class Said(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        decoded: dict[str, Any] = orjson.loads(self.out)
        return decoded


def typed(capsys: pytest.CaptureFixture[str], *words: str) -> Said:
    capsys.readouterr()
    code = main(words)
    out, err = capsys.readouterr()
    return Said(code, out, err)
