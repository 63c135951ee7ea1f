"""A large document made a piece at a time, so that no poll waits for it."""

import asyncio
import zlib
from collections.abc import Iterable

__all__ = ["joined", "packed"]

_QUICK = 1
"""Level of zlib: text that repeats itself becomes a fifteenth at it already."""
_GZIP_BITS = 31
"""The largest window of zlib, and a gzip header about it."""


async def joined(pieces: Iterable[bytes]) -> bytes:
    """All pieces in one. Whatever else the event loop has to do comes between the making of one and of the next.

    What a piece is made from must not change meanwhile.
    """
    made: list[bytes] = []
    for piece in pieces:
        made.append(piece)
        await asyncio.sleep(0)
    return b"".join(made)


async def packed(pieces: Iterable[bytes]) -> bytes:
    """The same, packed by gzip (RFC 1952) piece by piece."""
    packer = zlib.compressobj(_QUICK, wbits=_GZIP_BITS)
    made: list[bytes] = []
    for piece in pieces:
        made.append(packer.compress(piece))
        await asyncio.sleep(0)
    return b"".join([*made, packer.flush()])
