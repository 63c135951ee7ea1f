"""Pure: what an answer that is none usually means, and what to look at first. Common practice of the trade.

Exception codes after MODBUS Application Protocol V1.1b3, section 7.
"""

from collections.abc import Mapping
from types import MappingProxyType

from gateway.errors import (
    BadFrameError,
    DeviceExceptionError,
    EarlierAnswerError,
    GatewayError,
    LinkError,
    NoAnswerError,
)

__all__ = ["DeviceError", "meaning_of"]

_EXCEPTIONS: Mapping[int, str] = MappingProxyType(
    {
        1: "the device is there but does not know this table; try the other tables",
        2: "the device is there but one of the addresses does not exist; ask for fewer, and remember that a manual's "
        "40001 is holding register 0",
        3: "the device is there but does not take this count; ask for fewer registers at a time",
        4: "the device is there but failed while it answered; look at its own display or restart it",
        5: "the device needs time; ask again later",
        6: "the device is busy with something else, often another master; ask again more slowly",
        8: "the device reports that its own memory is damaged",
        10: "the converter is there but has no way to that unit; look at its table of units and serial ports",
        11: "the converter is there but the unit behind it did not answer; look at the unit's address, baud rate, "
        "parity, wiring and supply",
    }
)
_SILENCE = (
    "nobody has this unit number, or it is switched off, or baud rate, parity or the two wires are wrong; "
    "try `tank-gateway scan`"
)
_BROKEN = (
    "noise, a wrong baud rate or parity, two devices with one unit number, a second master, "
    "or something that is no Modbus device"
)
_BEHIND = (
    "a converter or radio on the way keeps answers and hands each to the next request: switch it off and on, and "
    "lengthen the time-outs beyond its slowest answer"
)
_NO_CONNECTION = (
    "the address or port is wrong, the device is off, a firewall is between, or all its connections are taken"
)
_NO_PORT = (
    "the adapter is not plugged in or has another name now (/dev/serial/by-id keeps them apart), another program holds "
    "it, or this user may not open it (group dialout)"
)


class DeviceError(GatewayError):
    """A device did not give what it was asked for. Its hint says what that usually means."""

    def __init__(self, where: str, cause: LinkError, *, serial: bool = False) -> None:
        """`serial`: the way to the device is a serial port of this machine."""
        self.cause = cause
        self.hint = f"usually: {meaning_of(cause, serial=serial)}"
        super().__init__(f"{where}: {cause}")


def meaning_of(error: LinkError, *, serial: bool = False) -> str:
    """What this usually means and what to look at, without a full stop."""
    if isinstance(error, DeviceExceptionError):
        return _EXCEPTIONS.get(error.code, "look the code up in the device's own manual")
    if isinstance(error, NoAnswerError):
        return _SILENCE
    if isinstance(error, EarlierAnswerError):
        return _BEHIND
    if isinstance(error, BadFrameError):
        return _BROKEN
    return _NO_PORT if serial else _NO_CONNECTION
