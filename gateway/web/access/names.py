"""Names of people: which may be had beside those that there are."""

import unicodedata
from collections.abc import Iterable

from gateway.looks import seen_as

__all__ = ["name_trouble", "plain_name"]

_LONGEST = 40
_BETWEEN = " .-_"
"""No @: it stands before the place in `anna@page`."""


def plain_name(typed: str) -> str:
    """As it is kept and looked for: the same letters whatever keyboard they were typed on, and single spaces."""
    return " ".join(unicodedata.normalize("NFC", typed).split())


def name_trouble(name: str, others: Iterable[str]) -> str | None:
    """Why nobody may be called so, as a sentence; None where there is nothing to say."""
    if not name or len(name) > _LONGEST:
        return f"a name has 1 to {_LONGEST} characters"
    if name != plain_name(name) or not _is_letter(name[0]) or not all(_may_follow(each) for each in name):
        return f"'{_shown(name)}' cannot be a name: letters, digits, and in between . - _ and single spaces"
    looks = seen_as(name)
    other = next((each for each in others if each != name and seen_as(each) & looks), None)
    if other is not None:
        return (
            f"'{name}' looks like {other}, who is here or invited already; take a name that nobody takes for that one"
        )
    return None


def _is_letter(character: str) -> bool:
    return unicodedata.category(character)[0] in "LN"


def _may_follow(character: str) -> bool:
    """Marks too: without them many scripts have no vowels."""
    return unicodedata.category(character)[0] in "LMN" or character in _BETWEEN


def _shown(name: str) -> str:
    return name.encode("ascii", "backslashreplace").decode()
