"""A half-duplex link on a wire in memory and on virtual time: nothing that the machine is busy with can disturb it."""

import asyncio
from collections.abc import Callable

from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.quiet import Timing
from gateway.errors import NoConnectionError
from gateway.modbus.ascii_frame import AsciiFraming, lrc8
from gateway.modbus.framing import Framing, ReadRequest
from gateway.modbus.rtu_frame import RtuFraming
from tests.acquisition.wire_peer import WirePeer

__all__ = ["LoopTimer", "VirtualWire", "link_on_loop_time"]


class LoopTimer:
    """A `MomentTimer` of the loop's own time."""

    def __init__(self) -> None:
        self._handle: asyncio.TimerHandle | None = None

    def call_at(self, when_s: float, call: Callable[[], None]) -> None:
        self.cancel()
        self._handle = asyncio.get_running_loop().call_at(when_s, call)

    def cancel(self) -> None:
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None

    def close(self) -> None:
        self.cancel()


class VirtualWire:
    """A `Channel` whose far end is a peer of the tests, which speaks RTU: ASCII is turned into that and back."""

    def __init__(self, peer: WirePeer, framing: Framing) -> None:
        self._peer = peer
        self._framing = framing
        self._on_bytes: Callable[[bytes], None] | None = None
        self._on_lost: Callable[[NoConnectionError], None] | None = None
        self.opened = 0
        self.refuses = False

    async def open(self, on_bytes: Callable[[bytes], None], on_lost: Callable[[NoConnectionError], None]) -> None:
        await asyncio.sleep(0.001)
        if self.refuses:
            raise NoConnectionError("the connection was refused")
        self.opened += 1
        self._on_bytes, self._on_lost = on_bytes, on_lost

    def transmit(self, request: ReadRequest) -> None:
        self._peer.take(RtuFraming().request_frame(request), self)

    async def close(self) -> None:
        self._on_bytes = self._on_lost = None

    # What the far end calls

    def send(self, data: bytes) -> None:
        """Frames as a peer makes them, or broken ones; what is kept comes over whichever connection there is then."""
        if self._on_bytes is not None:
            self._on_bytes(data if isinstance(self._framing, RtuFraming) else _in_ascii(data))

    def send_raw(self, data: bytes) -> None:
        if self._on_bytes is not None:
            self._on_bytes(data)

    def hang_up(self) -> None:
        if self._on_lost is not None:
            lost, self._on_bytes, self._on_lost = self._on_lost, None, None
            lost(NoConnectionError("the peer closed the connection"))


def _in_ascii(frame: bytes) -> bytes:
    message = frame[:-2]
    return b":" + (message + bytes([lrc8(message)])).hex().upper().encode() + b"\r\n"


def link_on_loop_time(
    peer: WirePeer, framing: Framing | None = None, timing: Timing | None = None
) -> tuple[HalfDuplexLink, VirtualWire]:
    """To be called on the loop whose time it is to keep."""
    framing = framing or RtuFraming()
    wire = VirtualWire(peer, framing)
    timing = timing or Timing(silence_s=0.00175, quiet_shortest_s=0.02, quiet_longest_s=0.3)
    clock = asyncio.get_running_loop().time
    return HalfDuplexLink(wire, framing, timing, clock=clock, make_timer=LoopTimer), wire


FRAMINGS: dict[str, Callable[[], Framing]] = {"rtu": RtuFraming, "ascii": AsciiFraming}
