"""Bytes that go to many, packed once for all who take them packed.

Each parcel is packed by itself into blocks of DEFLATE that end at a whole byte and look back at nothing before them
(RFC 1951). Any that follow one another between the header and the end of a gzip file (RFC 1952) are its contents, so
that streams which begin at different times share all that they have in common.
"""

import struct
import zlib
from collections.abc import Iterable

__all__ = ["GZIP_HEADER", "Packer", "Parcel", "gzipped"]

_QUICK = 1
"""Level of zlib: rows repeat each other, and become a seventh at it already."""
GZIP_HEADER = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"
"""DEFLATE, no time, from an unknown system."""
_LAST_BLOCK = b"\x03\x00"
"""An empty one that says that it is the last."""


class Parcel:
    """Some bytes of an answer."""

    __slots__ = ("_packed", "text")

    def __init__(self, text: bytes) -> None:
        self.text = text
        self._packed: bytes | None = None

    @property
    def packed(self) -> bytes:
        """Blocks of DEFLATE; made when they are first asked for."""
        if self._packed is None:
            packer = zlib.compressobj(_QUICK, wbits=-zlib.MAX_WBITS)
            self._packed = packer.compress(self.text) + packer.flush(zlib.Z_SYNC_FLUSH)
        return self._packed


class Packer:
    """What one gzip file is made of, as it goes on. `GZIP_HEADER` comes before it."""

    def __init__(self) -> None:
        self._check = 0
        self._length = 0

    def add(self, parcel: Parcel) -> bytes:
        self._check = zlib.crc32(parcel.text, self._check)
        self._length += len(parcel.text)
        return parcel.packed

    def end(self) -> bytes:
        return _LAST_BLOCK + struct.pack("<II", self._check, self._length & 0xFFFFFFFF)


def gzipped(parcels: Iterable[Parcel]) -> bytes:
    """All of them as one gzip file."""
    packer = Packer()
    return b"".join([GZIP_HEADER, *map(packer.add, parcels), packer.end()])
