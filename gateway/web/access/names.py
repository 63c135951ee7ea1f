"""Names of people: which may be had beside those that there are."""

import re
from collections.abc import Iterable

from gateway.looks import seen_as

__all__ = ["name_trouble"]

_LONGEST = 40
_NAME = re.compile(r"[^\W_][\w.\- ]*", re.UNICODE)
"""A letter or digit, then also dot, hyphen, space, underscore. No @: it stands before the place in `anna@page`."""


def name_trouble(name: str, others: Iterable[str]) -> str | None:
    """Why nobody may be called so, as a sentence; None where there is nothing to say."""
    if not name or len(name) > _LONGEST:
        return f"a name has 1 to {_LONGEST} characters"
    if not _NAME.fullmatch(name) or not name.isprintable() or name != " ".join(name.split()):
        return f"'{_shown(name)}' cannot be a name: letters, digits, and in between . - _ and single spaces"
    looks = seen_as(name)
    other = next((each for each in others if each != name and seen_as(each) & looks), None)
    if other is not None:
        return f"'{name}' looks like {other}, who is here already; take a name that nobody takes for that one"
    return None


def _shown(name: str) -> str:
    return name.encode("ascii", "backslashreplace").decode()
