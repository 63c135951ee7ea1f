"""Any bytes at all from the wire: no crash, no hang, and no value that no valid answer carried."""

import asyncio
import struct
from collections.abc import Sequence
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.modbus_tcp import MbapConnection
from gateway.errors import LinkError
from gateway.modbus.tables import Table
from tests.acquisition.memory_wire import connected
from tests.acquisition.peer import Request, adu, answer, exception

LONG = 30.0
FIRST = Request(1, 0, 6, 17, 3, 5, 3)
"""What the first request of a connection is: asserted in `exchange`."""
BITS = Request(1, 0, 6, 17, 2, 5, 11)
GOOD_VALUES = [17005, 17006, 17007]

words = st.lists(st.integers(0, 0xFFFF), min_size=3, max_size=3)


def exchange(chunks: Sequence[bytes], request: Request = FIRST) -> tuple[int, ...] | LinkError:
    """Sends one request, is answered with the chunks and then cut off. Comes to an end whatever they hold."""

    async def run() -> tuple[int, ...] | LinkError:
        sent: list[bytes] = []
        connection = connected(sent.append, LinkCounters())
        table = {3: Table.HOLDING_REGISTERS, 2: Table.DISCRETE_INPUTS}[request.function]
        reading = asyncio.create_task(connection.read(request.unit, table, request.address, request.size, LONG))
        await asyncio.sleep(0)
        assert sent == [struct.pack(">HHHBBHH", *request)]
        for chunk in chunks:
            connection.data_received(chunk)
        connection.connection_lost(None)
        try:
            return await reading
        except LinkError as error:
            return error

    return asyncio.run(run())


def split(data: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return [data[start:stop] for start, stop in pairwise(places)]


def assert_honest(result: tuple[int, ...] | LinkError, stream: bytes) -> None:
    """A value may come out only if its complete, regular answer was among the bytes."""
    if isinstance(result, tuple):
        assert len(result) == FIRST.size
        assert answer(FIRST, result) in stream


@given(st.lists(st.binary(max_size=300), max_size=6))
def test_random_bytes(chunks: list[bytes]) -> None:
    assert_honest(exchange(chunks), b"".join(chunks))


frames = st.one_of(
    st.builds(
        lambda transaction, protocol, unit, pdu, length: adu(transaction, unit, pdu, protocol, length),
        st.integers(0, 3),
        st.sampled_from([0, 0, 0, 1]),
        st.sampled_from([0, 17, 17, 255]),
        st.one_of(
            st.binary(min_size=1, max_size=20),
            st.builds(lambda values: bytes([3, 6]) + struct.pack(">3H", *values), words),
            st.builds(lambda values: bytes([3, 4]) + struct.pack(">2H", *values[:2]), words),
            st.builds(lambda code: bytes([0x83, code]), st.integers(0, 255)),
        ),
        st.sampled_from([None, None, None, 0, 2, 9, 200, 255]),
    ),
    st.binary(max_size=12),
)


@given(st.lists(frames, max_size=8), st.lists(st.integers(0, 1000), max_size=5))
def test_frames_nearly_right(parts: list[bytes], cuts: list[int]) -> None:
    stream = b"".join(parts)
    assert_honest(exchange(split(stream, cuts)), stream)


@given(
    values=words,
    place=st.integers(0, 14),
    change=st.sampled_from(["flip", "drop", "double", "cut"]),
    flip=st.integers(1, 255),
)
def test_a_right_answer_with_one_byte_wrong(values: list[int], place: int, change: str, flip: int) -> None:
    frame = answer(FIRST, values)
    one = frame[place : place + 1]
    damaged = {
        "flip": frame[:place] + bytes([one[0] ^ flip]) + frame[place + 1 :],
        "drop": frame[:place] + frame[place + 1 :],
        "double": frame[:place] + one + frame[place:],
        "cut": frame[:place],
    }[change]
    result = exchange([damaged])
    assert_honest(result, damaged)
    if change == "flip" and place < 9:
        assert isinstance(result, LinkError)


@given(cuts=st.lists(st.integers(0, 1000), max_size=12), before=st.integers(0, 4), late=st.booleans())
def test_however_the_stream_is_cut_the_answer_is_the_same(cuts: list[int], before: int, late: bool) -> None:
    strangers = b"".join(answer(FIRST._replace(transaction=-number & 0xFFFF), [666] * 3) for number in range(before))
    stream = strangers + answer(FIRST, GOOD_VALUES) + (exception(FIRST, 4) if late else b"")
    assert exchange(split(stream, cuts)) == tuple(GOOD_VALUES)


@given(st.lists(st.integers(0, 1), min_size=11, max_size=11), st.lists(st.integers(0, 1000), max_size=4))
def test_bits_come_out_in_order(bits: list[int], cuts: list[int]) -> None:
    assert exchange(split(answer(BITS, bits), cuts), BITS) == tuple(bits)


def test_identifiers_wrap_without_meeting_one_in_use_or_one_remembered() -> None:
    counters = LinkCounters()
    sent: list[int] = []
    unanswered: set[int] = set()
    connections: list[MbapConnection] = []

    def reply(frame: bytes) -> None:
        transaction, unit = int.from_bytes(frame[:2]), frame[6]
        assert transaction not in unanswered
        sent.append(transaction)
        if unit == 2:
            unanswered.add(transaction)
        else:
            connections[0].data_received(frame[:2] + b"\0\0\0\5\1\3\2\0\7")

    async def run() -> list[object]:
        connections.append(connected(reply, counters))
        read = connections[0].read
        silent = [asyncio.create_task(read(2, Table.HOLDING_REGISTERS, 0, 1, LONG)) for _ in range(1500)]
        await asyncio.sleep(0)
        for task in silent[:500]:
            task.cancel()  # remembered, in case their answers come late
        await asyncio.sleep(0)
        for _ in range(66_000):
            assert await read(1, Table.HOLDING_REGISTERS, 0, 1, LONG) == (7,)
        connections[0].connection_lost(None)
        return await asyncio.gather(*silent, return_exceptions=True)

    results = asyncio.run(run(), debug=False)  # debug mode would take ten times as long over so many
    assert [type(result).__name__ for result in results] == ["CancelledError"] * 500 + ["NoConnectionError"] * 1000
    assert len(set(sent)) == 0x10000
    assert counters == LinkCounters()
