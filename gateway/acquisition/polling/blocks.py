"""Pure: the signals of an instrument become the fewest block reads that its device allows."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gateway.acquisition.signals.register_map import InstrumentMap, Signal
from gateway.modbus.tables import LARGEST_BITS, LARGEST_REGISTERS, Table

__all__ = ["Block", "join_blocks", "plan_blocks", "split_block"]

_ADDRESSES = 65536


@dataclass(frozen=True, slots=True)
class Block:
    """One read: `count` addresses of a table from `address` on, and the signals it brings, lowest address first."""

    table: Table
    address: int
    count: int
    signals: tuple[Signal, ...]

    @property
    def text(self) -> str:
        """Such as `holding registers 0 to 9`, zero-based."""
        table = self.table.replace("_", " ")
        if self.count == 1:
            return f"{table.removesuffix('s')} {self.address}"
        return f"{table} {self.address} to {self.address + self.count - 1}"


def plan_blocks(instrument_map: InstrumentMap) -> tuple[Block, ...]:
    """Covers every signal with the fewest reads, never splitting a value, in order of table and address.

    The lowest signal not yet covered must be in some read; of all reads that hold it, the one that starts with it and
    reaches as far as the device allows holds every other signal that any of them could. Hence taking that one each
    time is the least number.

    Raises ValueError when a signal cannot be read at all: it lies in a forbidden range, beyond the last address, or is
    longer than the largest block.
    """
    blocks: list[Block] = []
    for table in Table:
        signals = [signal for signal in instrument_map.signals if signal.table is table]
        if signals:
            blocks.extend(_plan_table(instrument_map, table, signals))
    return tuple(blocks)


def split_block(block: Block) -> tuple[Block, ...]:
    """Two blocks that together bring the same signals, about as many each, no address in both; or the block alone.

    Signals that share an address stay together. What lay between the halves without a signal is read by neither.
    """
    borders = []
    end = 0
    for place, signal in enumerate(block.signals):
        if place and signal.address >= end:
            borders.append(place)
        end = max(end, _end(signal))
    if not borders:
        return (block,)
    border = min(borders, key=lambda place: abs(2 * place - len(block.signals)))
    return _block_of(block.table, block.signals[:border]), _block_of(block.table, block.signals[border:])


def join_blocks(blocks: Sequence[Block]) -> Block:
    """One read for blocks of one table, given lowest address first, and everything between them."""
    return _block_of(blocks[0].table, tuple(signal for block in blocks for signal in block.signals))


def _block_of(table: Table, signals: tuple[Signal, ...]) -> Block:
    start = signals[0].address
    return Block(table, start, max(map(_end, signals)) - start, signals)


def _plan_table(instrument_map: InstrumentMap, table: Table, signals: list[Signal]) -> Iterable[Block]:
    limit = min(instrument_map.largest_block, LARGEST_REGISTERS)
    if table.holds_bits:
        # A device that can answer n registers can answer as many bytes of bits.
        limit = min(limit * 16, LARGEST_BITS)
    forbidden = sorted((first, last) for where, first, last in instrument_map.forbidden if where is table)
    # The longer of two signals at one address goes first, so that a walk over them meets each end in order.
    waiting = sorted(signals, key=lambda signal: (signal.address, -signal.registers))
    for signal in waiting:
        _check(signal, limit, forbidden)
    while waiting:
        start = waiting[0].address
        reach = start + limit
        for first, _ in forbidden:
            if first >= start:
                reach = min(reach, first)
                break
        if not instrument_map.gaps_allowed:
            reach = min(reach, _end_of_run(waiting))
        taken = tuple(signal for signal in waiting if _end(signal) <= reach)
        waiting = [signal for signal in waiting if _end(signal) > reach]
        yield _block_of(table, taken)


def _end(signal: Signal) -> int:
    """The first address after the signal."""
    return signal.address + signal.registers


def _end_of_run(signals: list[Signal]) -> int:
    """The first address after the lowest signal that no signal holds."""
    end = _end(signals[0])
    for signal in signals:
        if signal.address > end:
            break
        end = max(end, _end(signal))
    return end


def _check(signal: Signal, limit: int, forbidden: list[tuple[int, int]]) -> None:
    where = f"signal {signal.name} at {signal.table.replace('_', ' ')} {signal.address}"
    if signal.address < 0 or _end(signal) > _ADDRESSES:
        raise ValueError(f"{where} lies outside the addresses 0 to {_ADDRESSES - 1}")
    if signal.registers > limit:
        raise ValueError(f"{where} takes {signal.registers} addresses; the device answers {limit} in one request")
    for first, last in forbidden:
        if first < _end(signal) and signal.address <= last:
            raise ValueError(f"{where} lies in the forbidden range {first} to {last}")
