"""How often a dip fits a device by chance, and how often the right way to read it is proved by two dips.

A device has 125 registers of random content, half of them small counts as states and settings are, and none of them a
level; or the same with the level among them, in one of the usual types, orders and scales. Seeded.
"""

import random
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from gateway.commissioning.dip_match import DipQuestion, Match, copies, match_dip, still_fitting, told_apart
from gateway.modbus.tables import Table
from tests.commissioning.wire_words import on_the_wire

__all__ = ["Rates", "measure", "rates"]

REGISTERS = 125
TOLERANCE_M = 0.004
_HEIGHT_M = 15.24
_TABLE = Table.HOLDING_REGISTERS
_WAYS = (
    ("uint16", "ABCD", 0.001),
    ("uint32", "ABCD", 0.0001),
    ("uint32", "CDAB", 0.0001),
    ("float32", "ABCD", 1.0),
    ("float32", "CDAB", 1.0),
    ("float32", "DCBA", 1.0),
)


class Rates(NamedTuple):
    """Shares of the devices, 0 to 1."""

    one_dip_innage: float
    """Without a level: a dip of 4 mm fits something as innage."""
    one_dip: float
    """The same with ullage tried as well."""
    two_dips: float
    """Without a level: two dips prove something all the same."""
    proved: float
    """With a level: two dips prove it."""


def rates(devices: int, seed: int) -> Rates:
    source = random.Random(seed)
    innage = both = wrongly = rightly = 0
    for _ in range(devices):
        before = [_register(source) for _ in range(REGISTERS)]
        after = [_later(source, word) for word in before]
        low = DipQuestion(source.uniform(1.0, 6.0), TOLERANCE_M, _HEIGHT_M)
        high = replace(low, innage=source.uniform(7.0, 14.0))
        fits = match_dip(_TABLE, before, 0, low)
        innage += bool(match_dip(_TABLE, before, 0, replace(low, reference_height=None)))
        both += bool(fits)
        wrongly += _proved(low, fits, high, match_dip(_TABLE, after, 0, high))
        _put_level(source, before, after, low.innage, high.innage)
        rightly += _proved(low, match_dip(_TABLE, before, 0, low), high, match_dip(_TABLE, after, 0, high))
    return Rates(innage / devices, both / devices, wrongly / devices, rightly / devices)


def measure(*, long: bool) -> dict[str, object]:
    devices = 4_000 if long else 400
    found = rates(devices, 1)
    rows = [
        ("one dip fits something by chance, innage alone", f"{found.one_dip_innage:.1%}"),
        ("one dip fits something by chance, ullage too", f"{found.one_dip:.1%}"),
        ("two dips prove something by chance", f"{found.two_dips:.2%}"),
        ("two dips prove the level that is there", f"{found.proved:.1%}"),
    ]
    return {
        "title": f"Dips of {TOLERANCE_M * 1000:.0f} mm against {devices:,} seeded devices of {REGISTERS} registers",
        "columns": ["", "share of devices"],
        "table": rows,
    }


def _register(source: random.Random) -> int:
    return source.randrange(0x10000) if source.random() < 0.5 else source.randrange(256)


def _later(source: random.Random, word: int) -> int:
    """Half of what a device holds has changed by the second dip."""
    return word if source.random() < 0.5 else _register(source)


def _put_level(source: random.Random, before: list[int], after: list[int], low: float, high: float) -> None:
    kind, order, metres = source.choice(_WAYS)
    at = source.randrange(REGISTERS - 2)
    for words, level in ((before, low), (after, high)):
        number = level / metres
        sent = on_the_wire(kind, order, number if kind == "float32" else round(number))
        words[at : at + len(sent)] = sent


def _proved(low: DipQuestion, first: Sequence[Match], high: DipQuestion, second: Sequence[Match]) -> bool:
    kept = still_fitting(second, first)
    return bool(kept) and told_apart(low, high) and len(copies(kept, first)) == 1
