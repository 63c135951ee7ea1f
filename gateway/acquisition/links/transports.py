"""The one table of ways to instruments: from a line's plan to the link behind the door, and which of them is in use."""

import random
from collections.abc import Callable
from typing import NamedTuple

from gateway.acquisition.links.answer_doubts import Units
from gateway.acquisition.links.connection_pool import ConnectionPool
from gateway.acquisition.links.half_duplex import HalfDuplexLink
from gateway.acquisition.links.link import Link
from gateway.acquisition.links.modbus_tcp import ModbusTcpLink
from gateway.acquisition.links.modbus_tls import ModbusTlsLink
from gateway.acquisition.links.quiet import Timing
from gateway.acquisition.links.serial_port import SerialChannel, character_s, silence_s
from gateway.acquisition.links.standby import StandbyLink, Way
from gateway.acquisition.links.tcp_channel import TcpChannel
from gateway.acquisition.plan import FrameKind, LinePath, LinePlan, SerialPath, TcpPath
from gateway.modbus.ascii_frame import AsciiFraming
from gateway.modbus.framing import Framing
from gateway.modbus.rtu_frame import RtuFraming

__all__ = ["ActivePath", "active_path_of", "open_link", "open_path"]

_FRAMINGS: dict[FrameKind, Callable[[], Framing]] = {FrameKind.RTU: RtuFraming, FrameKind.ASCII: AsciiFraming}
_CONVERTER_TIMING = Timing(quiet_shortest_s=0.1)
"""A network lies between; what the converter's own line needs, the converter keeps."""


def open_link(plan: LinePlan) -> Link:
    """The link of a line, not yet connected."""
    units = Units()
    first = _connections(plan, plan.primary, units)
    if plan.standby is None:
        return first
    standby = Way(plan.standby, _connections(plan, plan.standby, units))
    return StandbyLink(Way(plan.primary, first), standby, plan.fail_back_s, plan.name)


def _connections(plan: LinePlan, path: LinePath, units: Units) -> Link:
    if plan.connections == 1:
        return open_path(path, units)
    links = [open_path(path) for _ in range(plan.connections)]
    return ConnectionPool(links, plan.backoff_first_s, plan.backoff_longest_s, plan.name, random.Random())


def open_path(path: LinePath, units: Units | None = None) -> Link:
    """The link of one way, not yet connected. `units`: what is known of those that answer, where there is another."""
    if isinstance(path, SerialPath):
        framing = _FRAMINGS[path.framing]()
        silence = silence_s(path) if path.framing is FrameKind.RTU else 0.0
        return HalfDuplexLink(SerialChannel(path, framing), framing, Timing(silence, character_s(path)), units)
    if path.framing is not FrameKind.TCP:
        framing = _FRAMINGS[path.framing]()
        return HalfDuplexLink(TcpChannel(path.host, path.port, framing), framing, _CONVERTER_TIMING, units)
    return _mbap(path)


def _mbap(path: TcpPath) -> Link:
    if path.tls is not None:
        return ModbusTlsLink(path.host, path.port, path.tls)
    return ModbusTcpLink(path.host, path.port)


class ActivePath(NamedTuple):
    """What is in use of the ways and connections that a line has."""

    path: LinePath
    on_standby: bool
    open_connections: int


def active_path_of(link: Link, primary: LinePath) -> ActivePath:
    """`primary` is the path of a link that has no other."""
    path, on_standby = primary, False
    if isinstance(link, StandbyLink):
        path, on_standby, link = link.path, link.on_standby, link.link
    opened = link.open_connections if isinstance(link, ConnectionPool) else int(link.connected)
    return ActivePath(path, on_standby, opened)
