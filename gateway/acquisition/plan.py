"""Pure: what is fixed for a line and its instruments until the site file changes."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from gateway.acquisition.signals.register_map import InstrumentMap

__all__ = [
    "FrameKind",
    "InstrumentPlan",
    "LinePath",
    "LinePlan",
    "Parity",
    "SerialPath",
    "TcpPath",
    "TlsFiles",
]


@dataclass(frozen=True, slots=True)
class InstrumentPlan:
    tag: str
    unit: int
    """Modbus unit identifier (server address), 0 to 255 on TCP, 1 to 247 with RTU and ASCII frames."""
    map: InstrumentMap
    period_s: float
    timeout_s: float
    """The longest wait for an answer; a shorter one is learned where answers carry transaction identifiers."""
    pause_s: float = 0.0
    """From an answer to the next request, for devices that need it. Such a device is asked one thing at a time."""

    @property
    def stale_after_s(self) -> float:
        """From which age on a value of this instrument is no longer taken: three periods, 60 s at least."""
        return max(3.0 * self.period_s, 60.0)

    @property
    def overdue_after_s(self) -> float:
        """From which age on a value is doubted, as two polls have surely been missed; 10 s at least.

        Where a line is silent, each instrument's turn may come only after others were waited for in vain. Copies that
        tell their own age may be older than that by right.
        """
        if self.map.age_signal is not None or self.map.counter_signal is not None:
            return self.stale_after_s
        return max(2.5 * self.period_s, 10.0)


class FrameKind(StrEnum):
    """How a request is wrapped."""

    TCP = "tcp"
    """With the MBAP header and its transaction identifier."""
    RTU = "rtu"
    ASCII = "ascii"


class Parity(StrEnum):
    EVEN = "even"
    ODD = "odd"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class TlsFiles:
    """PEM files for Modbus/TCP Security, where each side proves who it is."""

    ca: Path
    """The authorities one of which must have signed the server's certificate."""
    certificate: Path
    """This gateway's own, with the chain up to what the server trusts."""
    key: Path


@dataclass(frozen=True, slots=True)
class TcpPath:
    """Through a TCP connection: to an instrument or a Modbus TCP server, or with another framing to a converter."""

    host: str
    port: int
    framing: FrameKind = FrameKind.TCP
    tls: TlsFiles | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


@dataclass(frozen=True, slots=True)
class SerialPath:
    """Through a serial port of this machine."""

    port: str
    """The device file, as /dev/ttyUSB0."""
    baud: int
    parity: Parity = Parity.EVEN
    stop_bits: int = 1
    framing: FrameKind = FrameKind.RTU
    """RTU or ASCII."""
    rs485: bool = False
    """Ask the driver to switch the transmitter."""

    @property
    def data_bits(self) -> int:
        return 7 if self.framing is FrameKind.ASCII else 8

    def __str__(self) -> str:
        return self.port


LinePath = TcpPath | SerialPath


@dataclass(frozen=True, slots=True)
class LinePlan:
    """One line: one way to its instruments at a time."""

    name: str
    host: str
    port: int
    """Host and port where nothing more is to be said of the way; `path` says more."""
    instruments: tuple[InstrumentPlan, ...]
    connect_timeout_s: float = 3.0
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0
    path: LinePath | None = None
    standby: LinePath | None = None
    """A second way to the same instruments, taken while the first is lost."""
    fail_back_s: float = 30.0
    """How often the first way is tried while the second is in use."""
    in_flight: int = 1
    """How many requests may be under way at once on a connection. More than one only with transaction identifiers:
    FrameKind.TCP."""
    connections: int = 1
    """How many connections to the peer are wanted. More than one only with FrameKind.TCP: a bus bears one master."""

    @property
    def primary(self) -> LinePath:
        return TcpPath(self.host, self.port) if self.path is None else self.path

    @property
    def meanings(self) -> Mapping[str, object]:
        """Another way, unit or map, and it may be another device or another quantity that is read."""
        return {each.tag: (self.primary, self.standby, each.unit, each.map) for each in self.instruments}

    @property
    def descriptors(self) -> int:
        """All its connections, and one for the way that is tried beside the one in use."""
        return self.connections + (0 if self.standby is None else 1)

    @property
    def longest_turn_s(self) -> float:
        return self.connect_timeout_s + max((each.timeout_s + each.pause_s for each in self.instruments), default=0.0)

    def faster(self, factor: float) -> "LinePlan":
        """With every wait between requests so many times as short; what a peer is given to answer in stays."""
        instruments = tuple(replace(each, period_s=each.period_s / factor) for each in self.instruments)
        waits = {name: getattr(self, name) / factor for name in ("backoff_first_s", "backoff_longest_s", "fail_back_s")}
        return replace(self, instruments=instruments, **waits)

    @property
    def has_converter(self) -> bool:
        """Whether a converter is in one of the ways: a box of its own between the network and a serial bus."""
        ways = [self.primary] if self.standby is None else [self.primary, self.standby]
        return any(isinstance(way, TcpPath) and way.framing is not FrameKind.TCP for way in ways)

    @property
    def tells_answers_apart(self) -> bool:
        """Whether answers say which request they belong to, on every way."""
        ways = [self.primary] if self.standby is None else [self.primary, self.standby]
        return all(way.framing is FrameKind.TCP for way in ways)
