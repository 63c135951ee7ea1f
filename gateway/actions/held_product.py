"""Pure: which product a tank held, from when on, by whose word: the papers of it in the ledger, and what they tell.

What stands in the site file at the first start of a ledger is the first word; each change of product is another. Papers
are only added: of one tank and instant the newest counts, and one that was withdrawn counts no more.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

__all__ = [
    "PRODUCT_SCHEMA",
    "HeldProduct",
    "Word",
    "held_at",
    "held_document",
    "held_from",
    "held_now",
    "histories",
    "history_of",
]

PRODUCT_SCHEMA = "tank-gateway/product/1"
_LONGEST = 20_000
_NOTHING: Mapping[str, str] = MappingProxyType({})


class Word(StrEnum):
    """What kind of word it is."""

    BEGUN = "begun"
    """The site file's, at the first start of a ledger."""
    PLANNED = "planned"
    """A person's, of a time that was to come when it was given: it holds from then on."""
    CHANGED = "changed"
    """A person's, and its time has come."""
    WITHDRAWN = "withdrawn"
    """Taken back by a person."""


class HeldProduct(NamedTuple):
    """What a tank holds from `since` until the next of the same tank."""

    tank: str
    product: str
    since: datetime
    """UTC, whole seconds."""
    word: Word
    by: str
    """Who said so; empty: the site file."""
    entered: datetime
    """UTC: when it was said, and so from when on sheets may have gone by it."""
    why: str = ""
    density: Mapping[str, str] = _NOTHING
    """Its density as it was typed, in the words of the site file; empty: none was given."""

    @property
    def key(self) -> str:
        return f"product {self.tank} {self.since:%Y-%m-%dT%H:%M:%SZ}"

    @property
    def is_change(self) -> bool:
        """Whether a person said so, and it was not taken back."""
        return self.word in (Word.PLANNED, Word.CHANGED)


def history_of(known: Iterable[HeldProduct]) -> tuple[HeldProduct, ...]:
    """Of one tank, in order of time. `known`: the newest of each instant.

    The site file's word is of no time before the ledger: a change that a person dates further back stands over it.
    """
    changes = sorted((each for each in known if each.is_change), key=lambda each: each.since)
    begun = min((each for each in known if each.word is Word.BEGUN), key=lambda each: each.since, default=None)
    if begun is None or (changes and changes[0].since <= begun.since):
        return tuple(changes)
    return (begun, *changes)


def histories(papers: Iterable[HeldProduct]) -> dict[str, tuple[HeldProduct, ...]]:
    """By tank, from all papers in the order in which they were kept."""
    newest: dict[str, dict[str, HeldProduct]] = {}
    for each in papers:
        newest.setdefault(each.tank, {})[each.key] = each
    return {tank: history_of(list(known.values())) for tank, known in newest.items()}


def held_at(history: Sequence[HeldProduct], instant: datetime) -> HeldProduct | None:
    """What the tank held then; None: before anything is known."""
    return next((each for each in reversed(history) if each.since <= instant), None)


def held_now(history: Sequence[HeldProduct], now: datetime) -> HeldProduct | None:
    """What the tank holds, by a clock that may have been set back: a time that has come once has come."""
    return next((each for each in reversed(history) if each.word is not Word.PLANNED or each.since <= now), None)


def held_document(held: HeldProduct) -> dict[str, Any]:
    """Plain values, for the ledger and for whoever asks."""
    return {
        "schema": PRODUCT_SCHEMA,
        "key": held.key,
        "tank": held.tank,
        "product": held.product,
        "since": _iso(held.since),
        "what": held.word.value,
        "by": held.by,
        "entered": _iso(held.entered),
        "why": held.why,
        "density": dict(held.density),
    }


def held_from(text: str) -> HeldProduct:
    """What `held_document` gave, as JSON. Raises ValueError for anything else."""
    if len(text) > _LONGEST:
        raise ValueError("it is longer than such a paper can be")
    plain = json.loads(text)
    if not isinstance(plain, dict) or plain.get("schema") != PRODUCT_SCHEMA:
        raise ValueError(f"it is no '{PRODUCT_SCHEMA}'")
    try:
        since, entered = (datetime.fromisoformat(plain[name]) for name in ("since", "entered"))
        tank, product, by, why = (str(plain[name]) for name in ("tank", "product", "by", "why"))
        density = {str(key): str(value) for key, value in plain["density"].items()}
        held = HeldProduct(tank, product, since, Word(plain["what"]), by, entered, why, density)
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"it lacks {error}") from error
    if since.tzinfo is None or entered.tzinfo is None:
        raise ValueError("its times have no zone")
    return held


def _iso(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")
