"""Pure: what a person has entered of a tank, or said of an instrument, as it is kept: a text for each key, as typed."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, NamedTuple

__all__ = [
    "ENTRY_SCHEMA",
    "MAINTENANCE",
    "OF_PRODUCT",
    "PRODUCT",
    "QUANTITIES",
    "Entry",
    "EntryStanding",
    "What",
    "entry_document",
    "entry_from",
    "utc_text",
]

ENTRY_SCHEMA = "tank-gateway/entry/1"
QUANTITIES: Mapping[str, str] = {
    "level": "level by hand",
    "water": "free-water level by hand",
    "temperature": "temperature by hand",
    "density": "density",
    "sediment_water": "sediment and water",
}
"""What can be entered of a tank, in words."""
OF_PRODUCT = frozenset({"density", "sediment_water"})
"""Samples: they say nothing of another product that the tank holds later."""
PRODUCT = "product"
"""Which product a tank holds is changed by an action of its own; its papers are those of `held_product`."""
MAINTENANCE = "maintenance"
"""What is said of an instrument."""
_LONGEST = 20_000


class What(StrEnum):
    """What has become of an entry."""

    ENTERED = "entered"
    WITHDRAWN = "withdrawn"
    """By a person."""
    EXPIRED = "expired"
    """By time, and that was told."""


class Entry(NamedTuple):
    """The newest of its key counts; what stood before it does not come back when it is withdrawn or has expired."""

    about: str
    """The tag of a tank, or of an instrument."""
    quantity: str
    """One of `QUANTITIES`, or `MAINTENANCE`."""
    what: What
    block: Mapping[str, str]
    """As the site file would have it: value, at, by, made_for, entered, expires."""
    by: str
    """Who entered it."""
    at: datetime
    """UTC, when it became this."""
    why: str = ""
    product: str = ""
    """Of which product the sample was; empty where that does not matter."""

    @property
    def key(self) -> str:
        return f"{self.quantity} {self.about}"

    @property
    def holds(self) -> bool:
        """Whether anything rests on it: a value that has expired still does where there is no other."""
        return self.what is What.ENTERED or (self.what is What.EXPIRED and self.quantity != MAINTENANCE)


class EntryStanding(NamedTuple):
    """An entry and what is made of it at present."""

    entry: Entry
    ends: datetime | None
    """UTC."""
    is_used: bool
    """Of two masters: whether it is the one that counts."""
    stands_in: bool = False
    """Whether it counts only while its instrument has no value."""
    other: str = ""
    """What the site file says of the same, in words; empty: nothing."""
    trouble: str = ""
    """Why nothing can be made of it any more."""


def entry_document(entry: Entry) -> dict[str, Any]:
    """Plain values, for the ledger and for whoever asks."""
    return {
        "schema": ENTRY_SCHEMA,
        "key": entry.key,
        "about": entry.about,
        "quantity": entry.quantity,
        "what": entry.what.value,
        "block": dict(entry.block),
        "by": entry.by,
        "at": entry.at.astimezone(UTC).isoformat(),
        "why": entry.why,
        "product": entry.product,
    }


def entry_from(text: str) -> Entry:
    """What `entry_document` gave, as JSON. Raises ValueError for anything else."""
    if len(text) > _LONGEST:
        raise ValueError("it is longer than an entry can be")
    plain = json.loads(text)
    if not isinstance(plain, dict) or plain.get("schema") != ENTRY_SCHEMA:
        raise ValueError(f"it is no '{ENTRY_SCHEMA}'")
    try:
        at = datetime.fromisoformat(plain["at"])
        block = {str(key): str(value) for key, value in plain["block"].items()}
        texts = [str(plain[name]) for name in ("about", "quantity", "by", "why", "product")]
        entry = Entry(texts[0], texts[1], What(plain["what"]), block, texts[2], at, *texts[3:])
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"it lacks {error}") from error
    if at.tzinfo is None or entry.quantity not in (*QUANTITIES, MAINTENANCE):
        raise ValueError("it is of another version")
    return entry


def utc_text(instant: datetime) -> str:
    """`2026-11-25 06:00 UTC`, for people."""
    return f"{instant.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
