"""Pure: traffic as lines of JSON, one frame a line, and what a device answered to what, for playing it back.

The first line says what it is; every other has `time` (ISO 8601, UTC), `connection` (counted from 1), `direction`
(`request`, `answer`, or `refused` for a request that was no read and was not passed on) and `hex`.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import NamedTuple

from gateway.errors import SettingsError

__all__ = [
    "CAPTURE",
    "Direction",
    "Exchange",
    "Frame",
    "MbapSplitter",
    "exchanges",
    "frame_line",
    "head_line",
    "is_read",
    "parse_capture",
    "read_request_frame",
]

CAPTURE = "tank-gateway/capture/1"

_HEADER = 7
_SHORTEST_LENGTH = 2
_LONGEST_LENGTH = 254
_READS = frozenset({1, 2, 3, 4})
_ENCAPSULATED = b"\x2b\x0e"


class Direction(StrEnum):
    REQUEST = "request"
    ANSWER = "answer"
    REFUSED = "refused"


class Frame(NamedTuple):
    """One frame as it went over the wire."""

    time: datetime
    """UTC."""
    connection: int
    direction: Direction
    data: bytes


class Exchange(NamedTuple):
    """What a device made of one request."""

    answer: bytes | None
    """The PDU; None for silence."""
    delay_s: float


class MbapSplitter:
    """Bytes of one direction of a connection into whole frames (MODBUS Messaging on TCP/IP V1.0b, section 3.1.3)."""

    def __init__(self) -> None:
        self._rest = b""
        self.broken = False
        """What came is no Modbus TCP; nothing after it can be split."""

    @property
    def waiting(self) -> bool:
        """Whether a frame has begun and is not complete."""
        return bool(self._rest)

    def feed(self, data: bytes) -> list[bytes]:
        """The frames that are complete now. Bytes that are no Modbus TCP come out whole, as they are."""
        if self.broken:
            return [data]
        self._rest += data
        frames = []
        while len(self._rest) >= _HEADER:
            length = int.from_bytes(self._rest[4:6])
            if self._rest[2:4] != b"\0\0" or not _SHORTEST_LENGTH <= length <= _LONGEST_LENGTH:
                self.broken = True
                frames.append(self._rest)
                self._rest = b""
                break
            if len(self._rest) < 6 + length:
                break
            frames.append(self._rest[: 6 + length])
            self._rest = self._rest[6 + length :]
        return frames


def is_read(frame: bytes) -> bool:
    """Whether a whole Modbus TCP request only reads: functions 1 to 4, and 43 with type 14 (V1.1b3, section 5.1)."""
    return frame[_HEADER] in _READS or frame[_HEADER : _HEADER + 2] == _ENCAPSULATED


def read_request_frame(frame: bytes) -> bytes:
    """The frame itself, for its way to a device. Raises ValueError for one that does not only read."""
    if not is_read(frame):
        raise ValueError(f"{frame.hex(' ')} is no read")
    return frame


def head_line(device: str, started: datetime) -> str:
    return json.dumps({"capture": CAPTURE, "device": device, "started": _iso(started)})


def frame_line(frame: Frame) -> str:
    return json.dumps(
        {
            "time": _iso(frame.time),
            "connection": frame.connection,
            "direction": frame.direction.value,
            "hex": frame.data.hex(),
        }
    )


def parse_capture(lines: Iterable[str], name: str) -> list[Frame]:
    """The frames of a capture whose lines come as a file gives them. A last line that was cut off is left out.

    Raises SettingsError that names the file and the line.
    """
    frames: list[Frame] = []
    number = 0
    for number, line in enumerate(lines, start=1):
        if number == 1:
            _check_head(line, name)
            continue
        try:
            frames.append(_frame(line))
        except (KeyError, TypeError, ValueError) as error:
            if not line.endswith("\n"):
                break
            text = f"'{line.strip()[:60]}' is not a line of a capture: {_cause(error)}"
            raise SettingsError((f"{name}:{number}: {text}",)) from error
    if number == 0:
        raise SettingsError((f"{name}: is empty; record one with `tank-gateway record`",))
    return frames


def exchanges(frames: Iterable[Frame]) -> Mapping[tuple[int, bytes], list[Exchange]]:
    """By unit and request PDU, what came back each time, in order; an answer belongs to the request of its number."""
    found: dict[tuple[int, bytes], list[Exchange]] = {}
    asked: dict[tuple[int, bytes], _Asked] = {}
    for frame in frames:
        if not _HEADER < len(frame.data) <= _HEADER - 1 + _LONGEST_LENGTH:
            continue  # no Modbus TCP
        transaction = (frame.connection, frame.data[:2])
        if frame.direction is Direction.REQUEST:
            key = (frame.data[6], frame.data[_HEADER:])
            asked[transaction] = _Asked(frame.time, found.setdefault(key, []))
            asked[transaction].silence()
        elif frame.direction is Direction.ANSWER and transaction in asked:
            asked.pop(transaction).answered(frame)
    return found


@dataclass(slots=True)
class _Asked:
    """A request that has no answer yet: silence until one comes."""

    time: datetime
    exchanges: list[Exchange]
    place: int = field(init=False, default=0)

    def silence(self) -> None:
        self.place = len(self.exchanges)
        self.exchanges.append(Exchange(None, 0.0))

    def answered(self, frame: Frame) -> None:
        delay_s = max(0.0, (frame.time - self.time).total_seconds())
        self.exchanges[self.place] = Exchange(frame.data[_HEADER:], delay_s)


def _check_head(line: str, name: str) -> None:
    try:
        kind = json.loads(line)["capture"]
    except (KeyError, TypeError, ValueError):
        kind = None
    if kind != CAPTURE:
        raise SettingsError((f"{name}:1: is not a capture of this version; the first line names {CAPTURE}",))


def _frame(line: str) -> Frame:
    entry = json.loads(line)
    time = datetime.fromisoformat(entry["time"])
    if time.tzinfo is None:
        raise ValueError("its time has no zone")
    return Frame(
        time.astimezone(UTC), int(entry["connection"]), Direction(entry["direction"]), bytes.fromhex(entry["hex"])
    )


def _cause(error: Exception) -> str:
    return f"{error} is missing" if isinstance(error, KeyError) else str(error)


def _iso(time: datetime) -> str:
    return time.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"
