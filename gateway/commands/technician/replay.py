"""`replay`: answer as a recorded device did, from a file."""

import argparse
import asyncio
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from gateway.commands.output import write
from gateway.commands.technician.device import duration_of, run
from gateway.commands.technician.record import address_of, listening_failed
from gateway.commissioning.capture import Exchange, exchanges, parse_capture
from gateway.commissioning.replay import replaying
from gateway.errors import UsageError
from gateway.files import UnreadableError, lines_of
from gateway.process.signals import stop_on_signals

__all__ = ["add_arguments", "execute"]

# MODBUS Application Protocol V1.1b3, section 6.
_TABLES = {1: "coils", 2: "discrete inputs", 3: "holding registers", 4: "input registers"}
_READ_BYTES = 5
_LONGEST_LINE = 200_000
"""What came in one piece and was no Modbus stands in one line, two digits a byte."""

_EPILOG = """Every value is REPLAYED, not measured. Only the requests that were recorded are answered, each as it was;
others get exception 2. Record one with `tank-gateway record`.
Example: tank-gateway replay yard.jsonl --listen 127.0.0.1:15502"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("file", metavar="FILE", help="made by `tank-gateway record`")
    parser.add_argument(
        "--listen", metavar="HOST:PORT", default="127.0.0.1:0", help="default a free port, this machine"
    )
    parser.add_argument("--with-delays", action="store_true", help="answer as late as the device did")
    parser.add_argument("--for", dest="length", metavar="TIME", help="how long; default until Ctrl-C")


def execute(arguments: argparse.Namespace) -> int:
    listen = address_of("--listen", arguments.listen)
    length_s = None if arguments.length is None else duration_of("--for", arguments.length)
    lines = (line.decode(errors="replace") for line in lines_of(Path(arguments.file), _LONGEST_LINE))
    try:
        recorded = exchanges(parse_capture(lines, arguments.file))
    except UnreadableError as error:
        raise UsageError(str(error), "record one with `tank-gateway record`") from error
    return run(lambda: _replay(recorded, listen, length_s, with_delays=arguments.with_delays))


def _asked(request: bytes) -> str:
    """What a recorded request asked for."""
    table = _TABLES.get(request[0])
    if table is None or len(request) != _READ_BYTES:
        return f"function {request[0]}"
    first, count = int.from_bytes(request[1:3]), int.from_bytes(request[3:5])
    return f"{table} {first} to {first + count - 1}"


async def _replay(
    recorded: Mapping[tuple[int, bytes], list[Exchange]],
    listen: tuple[str, int],
    length_s: float | None,
    *,
    with_delays: bool,
) -> int:
    stop = asyncio.Event()
    stop_on_signals(stop)
    units = sorted({unit for unit, _ in recorded})
    try:
        async with replaying(recorded, listen, with_delays=with_delays) as (replay, port):
            named = ", ".join(map(str, units)) or "none"
            write(f"REPLAYED, not measured: {listen[0]}:{port} answers {len(recorded)} requests, of units {named}")
            write(*(f"  unit {unit}: {_asked(request)}" for unit, request in sorted(recorded)))
            with suppress(TimeoutError):
                async with asyncio.timeout(length_s):
                    await replay.clients.until(stop)
    except OSError as error:
        raise listening_failed(listen, error) from error
    return 0
