"""Register words and everything they can mean, as text for a person and as plain values for a program."""

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from gateway.acquisition.signals.decode import Decoded, signal_decoder
from gateway.acquisition.signals.register_map import ByteOrder, InstrumentMap, Signal, ValueType
from gateway.commands.output import Column, Grid, plain_lines
from gateway.commissioning.decodings import Decoding, as_currents, decodings, number_of, number_text
from gateway.modbus.tables import Table
from gateway.records import Quality, ReasonCode, because

__all__ = ["Words", "changed_addresses", "document", "doubt_lines", "joined_words", "page_lines", "signal_lines"]

_NO_DOUBTS: Mapping[str, str] = MappingProxyType({})
_WIDE_TYPES = tuple(kind for kind in ValueType if kind.registers > 1)


class Words(NamedTuple):
    """What one read brought: the words (or bits) of a table from `address` on."""

    table: Table
    address: int
    words: tuple[int, ...]
    doubt: str = ""
    """Why they may be another request's answer; empty where they surely are not."""


def changed_addresses(words: Words, before: Words | None) -> frozenset[int]:
    """The addresses whose word is another than before."""
    if before is None or (before.table, before.address) != (words.table, words.address):
        return frozenset()
    pairs = zip(words.words, before.words, strict=False)
    return frozenset(words.address + place for place, (now, then) in enumerate(pairs) if now != then)


def page_lines(words: Words, changed: frozenset[int] = frozenset(), *, everything: bool = False) -> list[str]:
    """The whole page of one read. A `*` marks what has changed; a word such as `(unlikely)` what is hardly meant."""
    last = words.address + len(words.words) - 1
    lines = [f"{words.table.replace('_', ' ')} {words.address} to {last}", *doubt_lines(words), ""]
    if words.table.holds_bits:
        rows = [(_place(words.address + i, changed), str(bit)) for i, bit in enumerate(words.words)]
        return [*lines, *plain_lines(Grid((Column("address", True), Column("state", True)), tuple(rows)))]
    lines += plain_lines(_single_words(words, changed))
    found = decodings(words.words, words.address)
    left_out = 0
    for kind in _WIDE_TYPES:
        of_kind = [decoding for decoding in found if decoding.type is kind]
        grid, hidden = _wide(kind, of_kind, changed, everything)
        left_out += hidden
        if grid.rows:
            lines += ["", *plain_lines(grid)]
    currents = [
        f"  {current.address}: {current.milliampere:.3f} mA if it counts {current.unit}"
        + ("" if current.order is ByteOrder.ABCD else f", {current.order}")
        for current in as_currents(words.words, words.address)
    ]
    if currents:
        lines += ["", "as a 4-20 mA loop", *currents]
    if left_out:
        lines += ["", f"left out, as no order gives a likely value: {left_out} of the rows; --all shows them"]
    return lines


def doubt_lines(words: Words) -> list[str]:
    """What must be said before such words are believed."""
    return [f"DOUBTED: {words.doubt}"] if words.doubt else []


def joined_words(
    instrument_map: InstrumentMap, raws: Mapping[str, Sequence[int]], doubts: Mapping[str, str] = _NO_DOUBTS
) -> list[Words]:
    """The words of signals, by their names, as reads of whole runs of addresses; signals without words are left out.

    `doubts`: why the words of a signal are doubted. They are then those of the whole run.
    """
    known: dict[tuple[Table, int], int] = {}
    doubted: dict[tuple[Table, int], str] = {}
    for signal in instrument_map.signals:
        raw = raws.get(signal.name, ())
        if len(raw) == signal.registers:
            known.update({(signal.table, signal.address + place): word for place, word in enumerate(raw)})
            doubted[signal.table, signal.address] = doubts.get(signal.name, "")
    runs: list[Words] = []
    for table, address in sorted(known):
        last = runs[-1] if runs else None
        if last is not None and last.table is table and last.address + len(last.words) == address:
            doubt = last.doubt or doubted.get((table, address), "")
            runs[-1] = last._replace(words=(*last.words, known[table, address]), doubt=doubt)
        else:
            runs.append(Words(table, address, (known[table, address],), doubted.get((table, address), "")))
    return runs


def signal_lines(instrument_map: InstrumentMap, reads: Iterable[Words]) -> list[str]:
    """What the site file makes of the words: one line for each signal that was read."""
    rows = []
    for signal, raw, doubt in _signals(instrument_map, reads):
        value, quality, reason = _decoded(signal, raw, doubt)
        shown = "-" if value is None else signal.told(value)
        how = str(signal.type) if signal.registers == 1 else f"{signal.type} {signal.order}"
        where = f"{signal.table.replace('_', ' ')} {signal.address}"
        rows.append((signal.name, where, how, shown, quality.word, "" if reason is None else reason.text))
    headers = (Column("signal"), Column("at"), Column("as"), Column("value", True), Column("quality"), Column("why"))
    return plain_lines(Grid(headers, tuple(rows)))


def document(reads: Sequence[Words], instrument_map: InstrumentMap | None) -> dict[str, Any]:
    """The same for a program; numbers that JSON cannot carry are null beside their doubt."""
    made: dict[str, Any] = {"reads": [_read_document(words) for words in reads]}
    if instrument_map is not None:
        made["signals"] = [
            _signal_document(signal, raw, _decoded(signal, raw, doubt))
            for signal, raw, doubt in _signals(instrument_map, reads)
        ]
    return made


def _decoded(signal: Signal, raw: tuple[int, ...], doubt: str) -> Decoded:
    """As the gateway would take them: never Good where they are doubted."""
    decoded = signal_decoder(signal)(raw)
    if not doubt or decoded.quality is not Quality.GOOD:
        return decoded
    reason = because(ReasonCode.ANSWER_UNPROVEN, "{doubt}", doubt=doubt)
    return decoded._replace(quality=Quality.UNCERTAIN, reason=reason)


def _signals(instrument_map: InstrumentMap, reads: Iterable[Words]) -> Iterable[tuple[Signal, tuple[int, ...], str]]:
    """Each signal that was read, its words, and why they are doubted."""
    known = {(read.table, read.address + i): (word, read.doubt) for read in reads for i, word in enumerate(read.words)}
    for signal in instrument_map.signals:
        places = [(signal.table, signal.address + i) for i in range(signal.registers)]
        if all(place in known for place in places):
            doubt = next((known[place][1] for place in places if known[place][1]), "")
            yield signal, tuple(known[place][0] for place in places), doubt


def _signal_document(signal: Signal, raw: tuple[int, ...], decoded: Decoded) -> dict[str, Any]:
    return {
        "signal": signal.name,
        "raw": list(raw),
        "value": decoded.value,
        "unit": signal.unit or None,
        "quality": decoded.quality.word,
        "reason": None if decoded.reason is None else decoded.reason.text,
    }


def _read_document(words: Words) -> dict[str, Any]:
    made: dict[str, Any] = {
        "table": words.table.value,
        "address": words.address,
        "words": list(words.words),
        "doubt": words.doubt or None,
    }
    if not words.table.holds_bits:
        made["hex"] = [f"{word:04X}" for word in words.words]
        made["decodings"] = [
            {
                "address": found.address,
                "type": found.type.value,
                "order": found.order.value,
                "value": None if found.doubt == "not a number" else found.value,
                "doubt": found.doubt or None,
            }
            for found in decodings(words.words, words.address)
        ]
        made["currents"] = [
            {"address": at, "counts": unit, "order": order.value, "milliampere": milliampere}
            for at, unit, order, milliampere in as_currents(words.words, words.address)
        ]
    return made


def _single_words(words: Words, changed: frozenset[int]) -> Grid:
    headers = ("address", "hex", "uint16", "int16", "uint16 BADC", "int16 BADC", "bits 15..0")
    columns = tuple(Column(header, right=True) for header in headers)
    rows = []
    for place, word in enumerate(words.words):
        swapped = number_of((word,), ValueType.UINT16, ByteOrder.BADC)
        bits = f"{word:016b}"
        rows.append(
            (
                _place(words.address + place, changed),
                f"{word:04X}",
                str(word),
                str(number_of((word,), ValueType.INT16, ByteOrder.ABCD)),
                str(swapped),
                str(number_of((word,), ValueType.INT16, ByteOrder.BADC)),
                " ".join(bits[start : start + 4] for start in range(0, 16, 4)),
            )
        )
    return Grid(columns, tuple(rows))


def _wide(kind: ValueType, found: list[Decoding], changed: frozenset[int], everything: bool) -> tuple[Grid, int]:
    """One row for each address, one column for each order; and how many rows were left out."""
    columns = (Column(kind.value, right=True), *(Column(order.value, right=True) for order in ByteOrder))
    rows, left_out = [], 0
    orders = len(ByteOrder)
    for start in range(0, len(found), orders):
        row = found[start : start + orders]
        if not everything and all(decoding.doubt or not decoding.value for decoding in row):
            left_out += 1
            continue
        covered = range(row[0].address, row[0].address + kind.registers)
        mark = "*" if changed.intersection(covered) else ""
        rows.append((f"{mark}{row[0].address}", *(_cell(decoding) for decoding in row)))
    return Grid(columns, tuple(rows)), left_out


def _cell(decoding: Decoding) -> str:
    text = number_text(decoding.value)
    return f"{text} ({decoding.doubt})" if decoding.doubt else text


def _place(address: int, changed: frozenset[int]) -> str:
    return f"*{address}" if address in changed else str(address)
