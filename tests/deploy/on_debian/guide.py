"""The commands of deploy/README.md, taken out of it, so that guide and test cannot part."""

import re
from pathlib import Path

__all__ = ["Guide"]

PATH = Path(__file__).resolve().parents[3] / "deploy" / "README.md"


class Guide:
    """Its blocks of commands, each found by words that stand in no other one; which of them were asked for is kept."""

    def __init__(self, text: str | None = None) -> None:
        self._text = PATH.read_text("utf-8") if text is None else text
        self.unused: list[str] = re.findall(r"^```sh\n(.*?)^```$", self._text, re.DOTALL | re.MULTILINE)
        self._blocks = tuple(self.unused)

    def block(self, words: str) -> str:
        (found,) = (block for block in self._blocks if words in block)
        if found in self.unused:
            self.unused.remove(found)
        return found

    def in_line(self, beginning: str) -> list[str]:
        """The commands within sentences that begin so."""
        return re.findall(rf"`({re.escape(beginning)}[^`]*)`", self._text)
