"""`registers`: what stands in a device's registers, everything it can mean, and what fits a hand-dipped level."""

import argparse
import asyncio
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, NamedTuple

import orjson

from gateway.acquisition.links.link import DOUBT_CODES, doubt_of
from gateway.acquisition.polling.blocks import plan_blocks
from gateway.commands.output import is_terminal, write, write_json
from gateway.commands.technician.device import (
    Asker,
    Device,
    add_device,
    asking,
    device_of,
    duration_of,
    forbidden_place,
    length_of,
    run,
    timeout_of,
)
from gateway.commands.technician.dip_match_page import Earlier, match_document, match_lines, read_earlier
from gateway.commands.technician.line_guard import gateway_address, held_by, held_error, require_own
from gateway.commands.technician.register_page import (
    Words,
    changed_addresses,
    document,
    doubt_lines,
    joined_words,
    page_lines,
    signal_lines,
)
from gateway.commissioning.dip_match import DipQuestion, Match, match_dip, ranked, still_fitting
from gateway.commissioning.meanings import DeviceError
from gateway.display import printable
from gateway.errors import UsageError
from gateway.modbus.tables import LARGEST_BITS, LARGEST_REGISTERS, Table
from gateway.process.signals import stop_on_signals

__all__ = ["add_arguments", "execute"]

_ADDRESSES = 65536
_FASTEST_S = 0.1
_HOME_AND_CLEAR = "\x1b[H\x1b[J"

_EPILOG = """Reads only. Addresses count from zero, as they go over the wire: a manual's 40001 is holding register 0.
Where a running gateway polls the instrument of a SITE, its newest words are shown and nothing is sent.
Examples: tank-gateway registers 192.0.2.10:502 --unit 1 --table holding_registers --address 0 --count 10 --watch
          tank-gateway registers site.yaml LT-101 --dip "9.412 m" --reference-height "15.240 m"
Find a byte order by a dip, then prove it by a second dip at another level. Do not dip without a permit; static and H2S
precautions apply."""


class _Reads(NamedTuple):
    """The words of one round, and how they came."""

    reads: list[Words]
    how: str
    took_s: float | None
    """None where the device itself was not asked."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_device(parser)
    parser.add_argument(
        "--table",
        choices=[table.value for table in Table],
        help="default holding_registers, or the blocks of SITE's map",
    )
    parser.add_argument("--address", type=int, metavar="N", help="first address, from zero; default 0")
    parser.add_argument("--count", type=int, metavar="N", help="how many addresses; default 10")
    parser.add_argument("--all", action="store_true", help="also the rows in which nothing is likely")
    parser.add_argument("--watch", action="store_true", help="read again and again, and mark what changes")
    parser.add_argument("--every", metavar="TIME", default="1 s", help="with --watch; default 1 s")
    parser.add_argument("--times", type=int, metavar="N", help="with --watch: stop after so many; default until Ctrl-C")
    parser.add_argument("--dip", metavar="LENGTH", help="innage by hand: find what reads so, for example '9.412 m'")
    parser.add_argument("--tolerance", metavar="LENGTH", default="4 mm", help="with --dip; default 4 mm")
    parser.add_argument("--reference-height", metavar="LENGTH", help="with --dip: try ullage too")
    parser.add_argument(
        "--span", nargs=2, metavar=("LOW", "HIGH"), help="with --dip: try a current loop; what 4 and 20 mA mean"
    )
    parser.add_argument("--earlier", metavar="FILE", help="with --dip: the --json answer to a dip at another level")
    parser.add_argument("--json", action="store_true", help="print it for a program; with --watch one line a read")


def execute(arguments: argparse.Namespace) -> int:
    device = device_of(arguments)
    wanted = _wanted(arguments, device)
    question = _question(arguments)
    earlier = None if arguments.earlier is None else read_earlier(arguments.earlier, (device.address, device.unit))
    every_s = _every_s(arguments)
    timeout_s = timeout_of(arguments, device)
    lent = None if arguments.line_is_mine else _lent(arguments, device)
    if lent is not None:
        return _show(arguments, device, lent, question, earlier)
    if arguments.watch:
        return run(lambda: _watch(arguments, device, wanted, every_s, timeout_s))
    return run(lambda: _once(arguments, device, wanted, question, earlier, timeout_s))


def _lent(arguments: argparse.Namespace, device: Device) -> _Reads | None:
    """The newest words of the gateway that polls the instrument, so that it is not asked twice; None when none does.

    Raises LineHeldError when what is wanted is more than the gateway has.
    """
    held = held_by(gateway_address(arguments, device.site), device.address)
    if held is None:
        return None
    require_own(held, device.address, device.site)
    given = (arguments.table, arguments.address, arguments.count, arguments.unit)
    if device.instrument is None or arguments.watch or given != (None, None, None, None):
        error = held_error(device.address, held)
        if device.instrument is not None:
            error.hint = f"for the newest words of that gateway give {device.instrument.tag} alone; or {error.hint}"
        raise error
    own = [reading for reading in held.readings["readings"] if reading["instrument"] == device.instrument.tag]
    raws = {reading["signal"]: reading["raw"] for reading in own}
    reasons = {reading["signal"]: reading["reason"] for reading in own if reading["reason"] is not None}
    doubts = {signal: reason["text"] for signal, reason in reasons.items() if reason["code"] in DOUBT_CODES}
    return _Reads(
        joined_words(device.instrument.map, raws, doubts), f"newest words of the gateway at {held.gateway}", None
    )


def _wanted(arguments: argparse.Namespace, device: Device) -> list[tuple[Table, int, int]]:
    """(table, first address, count) of every read of a round."""
    given = (arguments.table, arguments.address, arguments.count)
    if device.instrument is not None and given == (None, None, None):
        return [(block.table, block.address, block.count) for block in plan_blocks(device.instrument.map)]
    table = Table(arguments.table or Table.HOLDING_REGISTERS)
    address = arguments.address if arguments.address is not None else 0
    count = arguments.count if arguments.count is not None else 10
    largest = LARGEST_BITS if table.holds_bits else LARGEST_REGISTERS
    if not 1 <= count <= largest:
        raise UsageError(f"--count: {count} addresses cannot be read in one request", f"give 1 to {largest}")
    if not 0 <= address <= _ADDRESSES - count:
        raise UsageError(
            f"--address: {address} with --count {count} is not within 0 to {_ADDRESSES - 1}",
            "addresses count from zero: a manual's 40001 is holding register 0",
        )
    forbidden = None if device.instrument is None else forbidden_place(device.instrument, table, address, count)
    if device.instrument is not None and forbidden is not None:
        raise UsageError(
            f"{forbidden} of {device.instrument.tag} must never be read, as its register map says", "ask for others"
        )
    return [(table, address, count)]


def _question(arguments: argparse.Namespace) -> DipQuestion | None:
    if arguments.dip is None:
        for option in ("reference_height", "span", "earlier"):
            if getattr(arguments, option) is not None:
                raise UsageError(f"--{option.replace('_', '-')} was given without --dip", "give both, or neither")
        return None
    if arguments.watch:
        raise UsageError("--dip and --watch do not go together", "give one of them")
    tolerance = length_of("--tolerance", arguments.tolerance)
    if not tolerance > 0.0:
        raise UsageError(f"--tolerance: {arguments.tolerance} is not above zero", "give for example 4 mm")
    height = None if arguments.reference_height is None else length_of("--reference-height", arguments.reference_height)
    span = None
    if arguments.span is not None:
        low, high = (length_of("--span", end) for end in arguments.span)
        if low == high:
            raise UsageError("--span: LOW and HIGH are the same", "give what 4 mA and what 20 mA mean")
        span = (low, high)
    return DipQuestion(length_of("--dip", arguments.dip), tolerance, height, span)


def _every_s(arguments: argparse.Namespace) -> float:
    every_s = duration_of("--every", arguments.every)
    if every_s < _FASTEST_S:
        raise UsageError(f"--every: {arguments.every} is too fast for a device", f"give {_FASTEST_S:g} s or more")
    if arguments.times is not None and arguments.times < 1:
        raise UsageError(f"--times: {arguments.times} is not a number of reads", "give 1 or more")
    return every_s


async def _read_all(asker: Asker, device: Device, wanted: Sequence[tuple[Table, int, int]]) -> list[Words]:
    reads = []
    for table, address, count in wanted:
        words = await asker.read(device.unit, table, address, count)
        reads.append(Words(table, address, words, doubt_of(words)))
    return reads


async def _once(
    arguments: argparse.Namespace,
    device: Device,
    wanted: Sequence[tuple[Table, int, int]],
    question: DipQuestion | None,
    earlier: Earlier | None,
    timeout_s: float,
) -> int:
    async with asking(device.path, device.text, timeout_s) as asker:
        begun = time.monotonic()
        reads = await _read_all(asker, device, wanted)
        took_s = time.monotonic() - begun
    return _show(arguments, device, _Reads(reads, _answered_in(took_s), took_s), question, earlier)


def _show(
    arguments: argparse.Namespace, device: Device, seen: _Reads, question: DipQuestion | None, earlier: Earlier | None
) -> int:
    reads = seen.reads
    doubted = any(read.doubt for read in reads)
    matches = None if question is None or doubted else _matches(reads, question, earlier)
    if arguments.json:
        made = _document(device, seen)
        if question is not None and matches is not None:
            made["dip_match"] = match_document(question, matches, earlier)
        write_json(made)
    else:
        write(*_page(arguments, device, seen, {}))
        if question is not None and matches is not None:
            write("", *match_lines(question, matches, earlier))
        elif question is not None:
            write("", "NOT MATCHED to the dip: these words are doubted, as it says above. Ask again.")
    return 1 if question is not None and not matches else 0


def _matches(reads: Sequence[Words], question: DipQuestion, earlier: Earlier | None) -> list[Match]:
    found = [
        match
        for read in reads
        if not read.table.holds_bits
        for match in match_dip(read.table, read.words, read.address, question)
    ]
    return ranked(found if earlier is None else still_fitting(found, earlier.matches))


def _answered_in(took_s: float) -> str:
    return f"answered in {took_s * 1000:.1f} ms"


def _document(device: Device, seen: _Reads) -> dict[str, Any]:
    now = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    instrument_map = None if device.instrument is None else device.instrument.map
    took_s = None if seen.took_s is None else round(seen.took_s, 6)
    made: dict[str, Any] = {"address": device.address, "unit": device.unit, "time": now, "took_s": took_s}
    if device.instrument is not None:
        made["instrument"] = device.instrument.tag
    return {**made, **document(seen.reads, instrument_map)}


def _page(arguments: argparse.Namespace, device: Device, seen: _Reads, before: dict[int, Words]) -> list[str]:
    reads = seen.reads
    lines = [printable(f"{device.text}, {datetime.now(UTC):%Y-%m-%d %H:%M:%S} UTC, {seen.how}")]
    for number, read in enumerate(reads):
        changed = changed_addresses(read, before.get(number))
        lines += ["", *page_lines(read, changed, everything=arguments.all)]
    if device.instrument is not None:
        lines += ["", "as the site file reads them", *signal_lines(device.instrument.map, reads)]
    return lines


async def _watch(
    arguments: argparse.Namespace,
    device: Device,
    wanted: Sequence[tuple[Table, int, int]],
    every_s: float,
    timeout_s: float,
) -> int:
    """Round after round until a signal or the last of --times; a device that fails is told, and asked again."""
    stop = asyncio.Event()
    stop_on_signals(stop)
    before: dict[int, Words] = {}
    answered = 0
    rounds = 0
    async with asking(device.path, device.text, timeout_s) as asker:
        while not stop.is_set():
            begun = time.monotonic()
            try:
                reads = await _read_all(asker, device, wanted)
            except DeviceError as error:
                _show_failure(error, as_json=arguments.json)
            else:
                answered += 1
                took_s = time.monotonic() - begun
                _show_round(arguments, device, _Reads(reads, _answered_in(took_s), took_s), before)
                before = dict(enumerate(reads))
            rounds += 1
            if rounds == arguments.times:
                break
            with _until_timeout():
                async with asyncio.timeout(max(0.0, every_s - (time.monotonic() - begun))):
                    await stop.wait()
    return 0 if answered else 1


@contextmanager
def _until_timeout() -> Iterator[None]:
    try:
        yield
    except TimeoutError:
        return


def _show_failure(error: DeviceError, *, as_json: bool) -> None:
    if as_json:
        write(orjson.dumps({"error": str(error), "usually": error.hint}).decode())
    else:
        write(f"{datetime.now(UTC):%H:%M:%S} UTC {printable(str(error))}; {error.hint}")


def _show_round(arguments: argparse.Namespace, device: Device, seen: _Reads, before: dict[int, Words]) -> None:
    if arguments.json:
        write(orjson.dumps(_document(device, seen)).decode())
    elif is_terminal(sys.stdout):
        sys.stdout.write(_HOME_AND_CLEAR)
        write(*_page(arguments, device, seen, before), "", "* changed since the last read; Ctrl-C ends")
    elif not before:
        write(*_page(arguments, device, seen, before), "", "changes:")
    else:
        write(*_changes(seen.reads, before))


def _changes(reads: Sequence[Words], before: dict[int, Words]) -> list[str]:
    now = f"{datetime.now(UTC):%H:%M:%S} UTC"
    lines = []
    for number, read in enumerate(reads):
        lines += [f"{now} {read.table.replace('_', ' ')} {read.address}: {each}" for each in doubt_lines(read)]
        for address in sorted(changed_addresses(read, before.get(number))):
            old = before[number].words[address - read.address]
            new = read.words[address - read.address]
            place = f"{read.table.replace('_', ' ')} {address}"
            lines.append(f"{now} {place}: {old:04X} ({old}) -> {new:04X} ({new})")
    return lines
