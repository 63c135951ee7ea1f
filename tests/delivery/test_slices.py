"""Large documents are made between other work."""

import asyncio
import gzip
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.delivery.slices import joined, packed


async def test_others_have_their_turn_between_two_pieces() -> None:
    seen: list[str] = []

    def pieces() -> Iterator[bytes]:
        for piece in (b"one ", b"two ", b"three"):
            seen.append(piece.decode().strip())
            yield piece

    async def other() -> None:
        while len(seen) < 6:
            seen.append("other")
            await asyncio.sleep(0)

    busy = asyncio.create_task(other())
    assert await joined(pieces()) == b"one two three"
    await busy
    assert seen == ["one", "other", "two", "other", "three", "other"]


async def test_nothing_makes_an_empty_document() -> None:
    assert await joined(()) == b""


async def test_what_goes_wrong_with_a_piece_is_told() -> None:
    def pieces() -> Iterator[bytes]:
        yield b"one"
        raise ValueError("no second")

    with pytest.raises(ValueError, match="no second"):
        await joined(pieces())


@given(st.lists(st.binary(max_size=2000), max_size=20))
def test_what_is_packed_is_the_same_when_it_is_unpacked(pieces: list[bytes]) -> None:
    assert gzip.decompress(asyncio.run(packed(pieces))) == b"".join(pieces)


async def test_others_have_their_turn_while_it_is_packed() -> None:
    turns: list[int] = []

    async def other() -> None:
        while True:
            turns.append(1)
            await asyncio.sleep(0)

    busy = asyncio.create_task(other())
    await packed([b"one", b"two", b"three"])
    busy.cancel()
    assert len(turns) == 3
