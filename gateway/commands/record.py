"""`record`: stand between a Modbus TCP client and a device, and keep every frame in a file."""

import argparse
import asyncio
import sys
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from gateway.commands.device import duration_of, host_and_port, run
from gateway.commands.output import write
from gateway.commands.signals import stop_on_signals
from gateway.commissioning.capture import Direction, Frame, frame_line, head_line
from gateway.commissioning.recorder import recording
from gateway.errors import GatewayError, UsageError

__all__ = ["add_arguments", "address_of", "execute", "listening_failed"]

_LARGEST_BYTES = 200_000_000

_EPILOG = """Lead the client (a gateway, or `tank-gateway registers`) to the address that is printed, not to the device.
Reads are passed on; anything else is refused with exception 1 and kept as refused. Modbus TCP only.
Example: tank-gateway record 192.0.2.10:502 --file yard.jsonl
Play it back with `tank-gateway replay`."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("device", metavar="ADDRESS", help="HOST:PORT of the device")
    parser.add_argument("--file", metavar="FILE", required=True, help="where to keep the frames; never overwritten")
    parser.add_argument(
        "--listen", metavar="HOST:PORT", default="127.0.0.1:0", help="default a free port, this machine"
    )
    parser.add_argument("--for", dest="length", metavar="TIME", help="how long; default until Ctrl-C")


def execute(arguments: argparse.Namespace) -> int:
    device = address_of("ADDRESS", arguments.device)
    listen = address_of("--listen", arguments.listen)
    length_s = None if arguments.length is None else duration_of("--for", arguments.length)
    try:
        file = Path(arguments.file).open("x", encoding="utf-8")  # noqa: SIM115 (closed below, whatever happens)
    except FileExistsError as error:
        raise UsageError(f"--file: {arguments.file} exists already", "give another name") from error
    except OSError as error:
        raise UsageError(f"--file: {arguments.file}: {(error.strerror or str(error)).lower()}") from error
    with file:
        return run(lambda: _record(device, listen, length_s, file))


def address_of(option: str, text: str) -> tuple[str, int]:
    """Raises UsageError."""
    found = host_and_port(text)
    if found is None:
        raise UsageError(f"{option}: '{text}' is no HOST:PORT", "write for example 192.0.2.10:502")
    return found


def listening_failed(listen: tuple[str, int], error: OSError) -> GatewayError:
    """One line for an address that cannot be listened on."""
    cause = (error.strerror or str(error)).partition(" (while")[0].lower()
    failure = GatewayError(f"cannot listen on {listen[0]}:{listen[1]}: {cause}")
    failure.hint = "give --listen with port 0 for any free one"
    return failure


async def _record(device: tuple[str, int], listen: tuple[str, int], length_s: float | None, file: TextIO) -> int:
    stop = asyncio.Event()
    stop_on_signals(stop)
    place = f"{device[0]}:{device[1]}"
    file.write(head_line(place, datetime.now(UTC)) + "\n")
    counts = dict.fromkeys(Direction, 0)
    keep = _keeper(file, counts, stop)
    try:
        async with recording(device, listen, keep, lambda: datetime.now(UTC)) as (recorder, port):
            write(f"lead the client to {listen[0]}:{port} instead of {place}; Ctrl-C ends")
            with suppress(TimeoutError):
                async with asyncio.timeout(length_s):
                    await stop.wait()
            unreachable = recorder.unreachable
    except OSError as error:
        raise listening_failed(listen, error) from error
    requests, answers, refused = (counts[direction] for direction in Direction)
    write(f"{requests} requests, {answers} answers, {refused} refused as no reads, in {file.name}")
    if unreachable is not None:
        sys.stderr.write(f"tank-gateway: the device at {place} could not be reached: {unreachable}\n")
    return 1 if unreachable is not None and not requests else 0


def _keeper(file: TextIO, counts: dict[Direction, int], stop: asyncio.Event) -> Callable[[Frame], None]:
    written = 0

    def keep(frame: Frame) -> None:
        nonlocal written
        counts[frame.direction] += 1
        # At once, so that a kill loses no frame that was passed on; the system takes the copy, no disk is waited for.
        written += file.write(frame_line(frame) + "\n")
        file.flush()
        if written > _LARGEST_BYTES and not stop.is_set():
            sys.stderr.write(f"tank-gateway: {file.name} has reached {_LARGEST_BYTES / 1e6:.0f} MB: stopped\n")
            stop.set()

    return keep
