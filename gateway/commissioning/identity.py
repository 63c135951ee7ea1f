"""Pure: Read Device Identification, function 43 with MEI type 14, which only reads.

After MODBUS Application Protocol V1.1b3, section 6.21. Objects 0 to 6 have the specification's names.
"""

import struct
from typing import NamedTuple

from gateway.errors import BadFrameError

__all__ = ["OBJECT_NAMES", "IdentityPart", "identity_request_frame", "parse_identity"]

OBJECT_NAMES = ("vendor", "product code", "revision", "vendor url", "product name", "model name", "application name")

_MBAP = struct.Struct(">HHHB")
"""Transaction, protocol, length of what follows, unit (MODBUS Messaging on TCP/IP V1.0b, section 3.1.3)."""
_ENCAPSULATED = 0x2B
_DEVICE_IDENTIFICATION = 0x0E
_BASIC = 0x01
_MORE_FOLLOWS = 0xFF
_HEAD = 7
"""Function, MEI type, read code, conformity level, more follows, next object, number of objects."""


class IdentityPart(NamedTuple):
    """What one answer brought."""

    objects: tuple[tuple[str, str], ...]
    """Name and text."""
    next_object: int | None
    """Where to go on; None when that was all."""


def identity_request_frame(transaction: int, unit: int, first_object: int = 0) -> bytes:
    """The Modbus TCP frame that asks a unit for the basic identification from an object on."""
    pdu = bytes([_ENCAPSULATED, _DEVICE_IDENTIFICATION, _BASIC, first_object])
    return _MBAP.pack(transaction, 0, len(pdu) + 1, unit) + pdu


def parse_identity(pdu: bytes) -> IdentityPart:
    """Raises BadFrameError for anything but a whole answer; exceptions are the caller's."""
    if len(pdu) < _HEAD or pdu[:2] != bytes([_ENCAPSULATED, _DEVICE_IDENTIFICATION]):
        raise BadFrameError(f"{pdu[:8].hex(' ')} is no device identification")
    more, next_object, count = pdu[4], pdu[5], pdu[6]
    objects = []
    place = _HEAD
    for _ in range(count):
        head = pdu[place : place + 2]
        if len(head) < 2 or len(pdu) < place + 2 + head[1]:
            raise BadFrameError(f"device identification breaks off after {len(pdu)} bytes")
        value = pdu[place + 2 : place + 2 + head[1]]
        name = OBJECT_NAMES[head[0]] if head[0] < len(OBJECT_NAMES) else f"object {head[0]}"
        objects.append((name, value.decode("ascii", "replace").strip()))
        place += 2 + head[1]
    if place != len(pdu):
        raise BadFrameError(f"device identification of {place} bytes in a frame of {len(pdu)}")
    return IdentityPart(tuple(objects), next_object if more == _MORE_FOLLOWS else None)
