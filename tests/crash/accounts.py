"""Counting: what the ledger's file holds against what has arrived, each read without the gateway's own readers.

The file is read by sqlite3, zstd and JSON alone; what has arrived, as JSON that mosquitto_sub wrote down, as cells that
psql printed or as rows of Python's csv module.
"""

import json
import sqlite3
import sys
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

__all__ = [
    "Arrived",
    "Kept",
    "Key",
    "account",
    "breaks_of",
    "chain_of",
    "committed",
    "lost_at_kills",
    "same_for_each_identity",
]

Key = tuple[str, str, int, int]
"""Tank (empty: the gateway), boot, sequence, and the number of an event or -1 for a record."""


class Kept(NamedTuple):
    """A row of history."""

    position: int
    key: Key
    instant_ns: int
    previous: tuple[str, int] | None
    body: Mapping[str, Any]

    @property
    def is_record(self) -> bool:
        return self.key[3] < 0


class Arrived(NamedTuple):
    """An entry at a destination, in the order in which they came."""

    key: Key
    document: Mapping[str, Any]


def committed(file: Path) -> list[Kept]:
    """All that stands in a ledger, in the order of positions. Its gateway may run, or have been killed."""
    with closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True, timeout=20.0)) as connection:
        # One instant of the file: a tank that comes meanwhile has no name yet.
        connection.execute("BEGIN")
        dictionaries = {
            number: zstd.ZstdDict(body) for number, body in connection.execute("SELECT id, body FROM dictionaries")
        }
        for number, packed_by, body in connection.execute("SELECT number, dictionary, body FROM forms").fetchall():
            dictionaries[number] = zstd.ZstdDict(zstd.decompress(body, dictionaries[packed_by]), is_raw=True)
        tanks = dict(connection.execute("SELECT id, name FROM tanks"))
        boots = dict(connection.execute("SELECT id, boot FROM boots"))
        rows = connection.execute(
            "SELECT position, kind, tank, boot, sequence, number, instant_ns, dictionary, body, previous_boot,"
            " previous_sequence FROM history ORDER BY position"
        ).fetchall()
    found = []
    for position, kind, tank, boot, sequence, number, instant_ns, dictionary, body, before, before_sequence in rows:
        key = (tanks[tank], boots[boot], sequence, number if kind else -1)
        previous = None if before is None else (boots[before], before_sequence)
        plain = json.loads(zstd.decompress(body, dictionaries[dictionary]))
        found.append(Kept(position, key, instant_ns, previous, plain))
    return found


def account(kept: Sequence[Kept], arrived: Sequence[Arrived], *, breaks: int) -> list[str]:
    """What is wrong: something is missing or was never kept, is out of order, or repeated more often than so many
    breaks explain, or not the same when it came again."""
    wrong = []
    place = {each.key: each.position for each in kept}
    got = {each.key for each in arrived}
    missing = [key for key in place if key not in got]
    if missing:
        wrong.append(f"{len(missing)} of {len(place)} are missing, the first {missing[0]}")
    strange = [each.key for each in arrived if each.key not in place]
    if strange:
        wrong.append(f"{len(strange)} arrived that are not in the ledger, the first {strange[0]}")
    wrong += same_for_each_identity(arrived)
    wrong += _out_of_order(place, arrived)
    went_back = breaks_of(place, arrived)
    if went_back > breaks:
        wrong.append(f"it went back {went_back} times, and only {breaks} breaks explain that")
    return wrong


def same_for_each_identity(arrived: Iterable[Arrived]) -> list[str]:
    """One identity, one contents."""
    first: dict[Key, Mapping[str, Any]] = {}
    return [
        f"{each.key} came with two contents"
        for each in arrived
        if first.setdefault(each.key, each.document) != each.document
    ]


def breaks_of(place: Mapping[Key, int], arrived: Sequence[Arrived]) -> int:
    """How often what came stands before what had come already."""
    positions = [place[each.key] for each in arrived if each.key in place]
    return sum(after <= before for before, after in pairwise(positions))


def chain_of(kept: Sequence[Kept]) -> list[str]:
    """Where a record names another one before it than the one that stands there."""
    wrong = []
    last: dict[str, tuple[str, int]] = {}
    for each in kept:
        if each.is_record:
            tank, boot, sequence, _ = each.key
            if each.previous != last.get(tank):
                wrong.append(f"{each.key} names {each.previous} and comes after {last.get(tank)}")
            last[tank] = boot, sequence
    return wrong


def lost_at_kills(kept: Sequence[Kept], last_seen: Mapping[str, float]) -> list[float]:
    """Of each boot that broke off: seconds from the last record that it kept to the last one that was seen of it live.

    What was kept last is due up to an interval before what was taken in last, so that it is a little more than what was
    taken in and not committed.
    """
    last: dict[str, float] = {}
    for each in kept:
        if each.is_record:
            last[each.key[1]] = max(last.get(each.key[1], 0.0), each.instant_ns / 1e9)
    broke_off = {each.body["subject"] for each in kept if each.body.get("kind") == "gateway_broke_off"}
    return [last_seen[boot] - last[boot] for boot in sorted(broke_off & last_seen.keys() & last.keys())]


def _out_of_order(place: Mapping[Key, int], arrived: Sequence[Arrived]) -> list[str]:
    """Of each stream: when its entries came for the first time."""
    seen: set[Key] = set()
    newest: dict[tuple[str, bool], int] = defaultdict(int)
    wrong = []
    for each in arrived:
        if each.key in seen or each.key not in place:
            continue
        seen.add(each.key)
        stream = each.key[0], each.key[3] < 0
        if place[each.key] < newest[stream]:
            wrong.append(f"{each.key} came for the first time after one behind it")
        newest[stream] = max(newest[stream], place[each.key])
    return wrong[:3]
