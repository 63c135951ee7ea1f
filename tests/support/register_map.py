"""A control system of the test's own: it knows of the registers what `delivery map` prints, and no more."""

import csv
import struct
from collections.abc import Mapping
from io import StringIO
from typing import NamedTuple

__all__ = ["Entry", "RegisterMap", "request"]

_CODES = {"uint16": ">H", "int16": ">h", "uint32": ">I", "int32": ">i", "float32": ">f"}


class Entry(NamedTuple):
    """One row of the map."""

    tank: str
    key: str
    address: int
    registers: int
    form: str
    order: str
    unit: str
    step: str
    none: str
    codes: Mapping[str, int]
    title: str


class RegisterMap:
    """The map of one server, by tank and key."""

    def __init__(self, text: str) -> None:
        rows = list(csv.DictReader(StringIO(text)))
        self.cautions = [row["title"] for row in rows if row["key"] == "caution"]
        self.entries = [_entry(row) for row in rows if row["key"] != "caution"]
        self._by_key = {(entry.tank, entry.key): entry for entry in self.entries}
        self.tanks = list(dict.fromkeys(entry.tank for entry in self.entries if entry.tank))

    def entry(self, tank: str, key: str) -> Entry:
        return self._by_key[tank, key]

    def of(self, tank: str) -> list[Entry]:
        return [entry for entry in self.entries if entry.tank == tank]

    def first(self, tank: str) -> int:
        return min(entry.address for entry in self.of(tank))

    def numbers(self, tank: str, data: bytes, first: int) -> dict[str, float]:
        """What registers that were read from `first` on say of a tank, by key, as far as they reach."""
        end = first + len(data) // 2
        found = [each for each in self.of(tank) if first <= each.address and each.address + each.registers <= end]
        return {each.key: _number(each, data[2 * (each.address - first) :]) for each in found}


def _entry(row: Mapping[str, str]) -> Entry:
    codes = dict(part.split(" ", 1)[::-1] for part in row["codes"].split("; ") if part)
    return Entry(
        row["tank"],
        row["key"],
        int(row["address"]),
        int(row["registers"]),
        row["form"],
        row["order"],
        row["unit"],
        row["step"],
        row["none"],
        {word: int(number) for word, number in codes.items()},
        row["title"],
    )


def _number(entry: Entry, data: bytes) -> float:
    """`order` names the bytes as they come: A is the most significant."""
    sent = data[: 2 * entry.registers]
    if entry.order:
        sent = bytes(sent[entry.order.index(letter)] for letter in "ABCD")
    (number,) = struct.unpack(_CODES[entry.form], sent)
    return float(number) if entry.form == "float32" else int(number)


def request(transaction: int, address: int, count: int, *, function: int = 3, unit: int = 1) -> bytes:
    """A read as the guide for Modbus on TCP/IP has it."""
    return struct.pack(">HHHBBHH", transaction, 0, 6, unit, function, address, count)
