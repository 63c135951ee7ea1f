"""`record`: stand between a Modbus TCP client and a device, and keep every frame in a file."""

import argparse
import asyncio
import sys
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from gateway.commands.output import write
from gateway.commands.technician.device import duration_of, host_and_port, run
from gateway.commissioning.capture import Direction, Frame, frame_line, head_line
from gateway.commissioning.recorder import recording
from gateway.errors import GatewayError, UsageError
from gateway.process.signals import stop_on_signals

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
        # Without a buffer: a kill loses no frame that was passed on. The system takes the copy, no disk is waited for.
        file = Path(arguments.file).open("xb", buffering=0)  # noqa: SIM115 (closed below, whatever happens)
    except FileExistsError as error:
        raise UsageError(f"--file: {arguments.file} exists already", "give another name") from error
    except (OSError, ValueError) as error:  # ValueError: a name with a NUL in it
        raise UsageError(f"--file: {arguments.file}: {_words(error)}") from error
    with file:
        return run(lambda: _record(device, listen, length_s, _Keeper(file, arguments.file)))


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


class _Keeper:
    """The file, and how many frames of each direction it has."""

    def __init__(self, file: BinaryIO, name: str) -> None:
        self._file = file
        self._name = name
        self._counts = dict.fromkeys(Direction, 0)
        self._written = 0
        self.ended = asyncio.Event()
        """Set when nothing more is to be kept: the file is long enough, or whoever began it has asked for the end."""

    @property
    def requests(self) -> int:
        return self._counts[Direction.REQUEST]

    @property
    def summary(self) -> str:
        requests, answers, refused = (self._counts[direction] for direction in Direction)
        return f"{requests} requests, {answers} answers, {refused} refused as no reads, in {self._name}"

    def begin(self, place: str) -> None:
        self._write(head_line(place, datetime.now(UTC)))

    def keep(self, frame: Frame) -> None:
        """Raises GatewayError where that cannot be done."""
        self._write(frame_line(frame))
        self._counts[frame.direction] += 1
        if self._written > _LARGEST_BYTES and not self.ended.is_set():
            sys.stderr.write(f"tank-gateway: {self._name} has reached {_LARGEST_BYTES / 1e6:.0f} MB: stopped\n")
            self.ended.set()

    def _write(self, line: str) -> None:
        rest = f"{line}\n".encode()
        self._written += len(rest)
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            failure = GatewayError(f"{self._name} cannot be written: {_words(error)}")
            failure.hint = "what it holds up to there can be used; make room and record the rest under another name"
            raise failure from error


async def _record(device: tuple[str, int], listen: tuple[str, int], length_s: float | None, keeper: _Keeper) -> int:
    stop_on_signals(keeper.ended)
    place = f"{device[0]}:{device[1]}"
    keeper.begin(place)
    listens = False
    try:
        async with recording(device, listen, keeper.keep, lambda: datetime.now(UTC)) as (recorder, port):
            listens = True
            write(f"lead the client to {listen[0]}:{port} instead of {place}; Ctrl-C ends")
            with suppress(TimeoutError):
                async with asyncio.timeout(length_s):
                    await recorder.clients.until(keeper.ended)
    except OSError as error:
        raise listening_failed(listen, error) from error
    finally:
        if listens:
            write(keeper.summary)
    for loss, times in recorder.losses.items():
        sys.stderr.write(f"tank-gateway: {loss}{'' if times == 1 else f' ({times} times)'}\n")
    if recorder.unreachable is not None:
        sys.stderr.write(f"tank-gateway: the device at {place} could not be reached: {recorder.unreachable}\n")
    return 1 if recorder.unreachable is not None and not keeper.requests else 0


def _words(error: OSError | ValueError) -> str:
    return ((error.strerror if isinstance(error, OSError) else None) or str(error)).lower()
