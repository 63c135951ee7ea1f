"""Names that a person takes for one another: of two such tanks one is read for the other, sooner or later."""

import unicodedata
from collections.abc import Iterable

from gateway.looks import in_latin, seen_as
from gateway.settings.lines.plans import declared_names
from gateway.settings.reading.document import Document
from gateway.settings.tanks.manual import ManualValues

__all__ = ["warn_of_look_alikes"]

_SECTIONS = ("lines", "instruments", "products", "tanks")


def warn_of_look_alikes(document: Document, manual: ManualValues) -> None:
    """Each name of a section that looks like one before it."""
    for section in _SECTIONS:
        names = declared_names(document, section)
        for name, other in _pairs(names):
            path = (section, name)
            here, there = document.place(path), document.place((section, other))
            where = f"line {there.line}" if here.file == there.file else str(there)
            manual.warn(path, f"looks like {other} of {where}{_why(name, other)}; rename one of the two")


def _pairs(names: Iterable[str]) -> list[tuple[str, str]]:
    first: dict[str, str] = {}
    found = []
    for name in names:
        looks = seen_as(name)
        other = next((first[look] for look in sorted(looks) if look in first), None)
        if other is not None:
            found.append((name, other))
        for look in looks:
            first.setdefault(look, name)
    return found


def _why(name: str, other: str) -> str:
    """The letter of another script, of which the eye cannot be told."""
    for whose, text in ((name, name), (other, other)):
        for character in text:
            if not character.isascii() and in_latin(character).isascii():
                return f": {character} in {whose} is {unicodedata.name(character, 'another letter').lower()}"
    return ""
