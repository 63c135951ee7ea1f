"""The server of registers over real sockets: what is asked is answered, nothing is changed, nobody holds up another."""

import asyncio
import random
import re
import socket
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import AsyncModbusTcpClient

from gateway.delivery.contract import Destination, Wants
from gateway.delivery.destinations import takes_history
from gateway.delivery.registers.document import map_csv
from gateway.delivery.registers.image import RegisterImage
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.registers.room import Admission, Seat, admission, allowed
from gateway.delivery.registers.server import Connection, Hooks, RegisterServer
from gateway.records import Figure, Quality
from tests.support.deliveries import until
from tests.support.destinations import destination, running
from tests.support.libmodbus import compiled
from tests.support.mosquitto import free_port
from tests.support.records import record
from tests.support.register_map import RegisterMap, request

_BLOCK = 320
_PATIENCE_S = 20.0


def plan(**changes: Any) -> RegistersPlan:
    defaults: dict[str, Any] = {"backoff_first_s": 0.02, "backoff_longest_s": 0.1}
    blocks = (("TK-1", 1), ("TK-2", 2))
    settled: dict[str, Any] = {"host": "127.0.0.1", "port": free_port(), "blocks": blocks, **defaults, **changes}
    return RegistersPlan(**settled)


@asynccontextmanager
async def served(made: RegistersPlan) -> AsyncIterator[Destination]:
    """With one sheet of TK-1, the seventh."""
    server = destination(made)
    server.offer(record("TK-1", 7))
    async with running(server):
        await until(lambda: server.status().connected)
        yield server


class Client:
    """A socket and what comes over it."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    async def connect(cls, made: RegistersPlan, source: str = "127.0.0.1") -> "Client":
        return cls(*await asyncio.open_connection("127.0.0.1", made.port, local_addr=(source, 0)))

    def send(self, data: bytes) -> None:
        self.writer.write(data)

    async def answer(self) -> tuple[int, int, bytes]:
        """Transaction, unit, and the message."""
        async with asyncio.timeout(_PATIENCE_S):
            transaction, protocol, length, unit = struct.unpack(">HHHB", await self.reader.readexactly(7))
            assert protocol == 0
            return transaction, unit, await self.reader.readexactly(length - 1)

    async def asked(self, data: bytes) -> bytes:
        self.send(data)
        return (await self.answer())[2]

    async def is_closed(self) -> bool:
        """Waits for it."""
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(ConnectionError):
                while await self.reader.read(65_536):
                    pass
        return True

    def close(self) -> None:
        self.writer.transport.abort()


@asynccontextmanager
async def client_of(made: RegistersPlan, source: str = "127.0.0.1") -> AsyncIterator[Client]:
    client = await Client.connect(made, source)
    try:
        yield client
    finally:
        client.close()


async def is_served(made: RegistersPlan, source: str = "127.0.0.1") -> bool:
    """Whether somebody who comes now is told the seventh sheet of TK-1."""
    async with client_of(made, source) as client:
        return await client.asked(request(1, _BLOCK, 3)) == bytes((3, 6)) + struct.pack(">HI", 1, 7)


def test_it_takes_live_records_and_nothing_is_kept_for_it() -> None:
    made = plan()
    assert destination(made).wants == Wants(live=True)
    assert not takes_history(made)


async def test_requests_that_come_together_are_all_answered_and_in_order() -> None:
    """A poller that pipelines sends the next before it has read the first: none is dropped, each has its own answer."""
    made = plan()
    async with served(made), client_of(made) as client:
        asked = [request(number, _BLOCK + number % 100, 5, function=3 + number % 2) for number in range(500)]
        client.send(b"".join([*asked, request(500, _BLOCK, 125)]))
        answers = [await client.answer() for _ in range(500)]
        last = await client.answer()
        assert last[0] == 500
        block = last[2][2:]
        for number, (transaction, unit, message) in enumerate(answers):
            first = 2 * (number % 100)
            assert (transaction, unit, message[0]) == (number, 1, 3 + number % 2)
            assert message[2:] == block[first : first + 10]


@pytest.mark.parametrize("seed", range(3))
async def test_wherever_the_stream_is_cut_the_answers_are_the_same(seed: int) -> None:
    chance = random.Random(seed)
    made = plan()
    asked = b"".join(request(number, _BLOCK, 2 + number, unit=(0, 1, 255)[number % 3]) for number in range(20))
    async with served(made), client_of(made) as client:
        client.writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while asked:
            size = chance.randint(1, 30)
            client.send(asked[:size])
            asked = asked[size:]
            await asyncio.sleep(0)
        for number in range(20):
            transaction, unit, message = await client.answer()
            assert (transaction, unit, len(message)) == (number, (0, 1, 255)[number % 3], 2 + 2 * (2 + number))


_WRITES = {
    5: struct.pack(">BHH", 5, 0, 0xFF00),
    6: struct.pack(">BHH", 6, _BLOCK, 1),
    15: struct.pack(">BHHBB", 15, 0, 8, 1, 0xFF),
    16: struct.pack(">BHHBHH", 16, _BLOCK, 2, 4, 1, 2),
    21: struct.pack(">BBBHHHH", 21, 9, 6, 4, 7, 1, 1),
    22: struct.pack(">BHHH", 22, _BLOCK, 0, 1),
    23: struct.pack(">BHHHHBH", 23, _BLOCK, 1, _BLOCK, 1, 2, 5),
}
_OTHERS = (0, 1, 2, 7, 8, 11, 17, 20, 24, 43, 90, 127, 0x83)


async def test_whoever_wants_to_write_is_refused_and_nothing_is_changed() -> None:
    made = plan()
    async with served(made) as server, client_of(made) as client:
        before = [await client.asked(request(1, first, 125)) for first in (_BLOCK, _BLOCK + 125)]
        for function, message in _WRITES.items():
            frame = struct.pack(">HHHB", 9, 0, len(message) + 1, 255) + message
            assert await client.asked(frame) == bytes((function | 0x80, 1))
        for function in _OTHERS:
            frame = struct.pack(">HHHBBHH", 9, 0, 6, 255, function, 0, 1)
            assert await client.asked(frame) == bytes((function & 0x7F | 0x80, 1))
        assert await client.asked(struct.pack(">HHHBB", 9, 0, 2, 1, 6)) == bytes((0x86, 1)), "of whatever length"
        assert [await client.asked(request(1, first, 125)) for first in (_BLOCK, _BLOCK + 125)] == before
        (told,) = server.status().clients
        assert told.refused == "requests refused: 8 to write, 13 of functions that are not served"
        assert told.address == "{}:{}".format(*client.writer.get_extra_info("sockname"))
        assert told.name is None


async def test_other_units_and_addresses_and_counts_are_refused_each_by_its_code() -> None:
    made = plan()
    async with served(made), client_of(made) as client:
        for unit in (2, 17, 247, 254):
            assert await client.asked(request(1, _BLOCK, 1, unit=unit)) == bytes((0x83, 0x0B))
        for address, count in ((40, 1), (39, 2), (3 * _BLOCK, 1), (3 * _BLOCK - 1, 2), (65_535, 1), (65_535, 125)):
            assert await client.asked(request(1, address, count, function=4)) == bytes((0x84, 2))
        for count in (0, 126, 65_535):
            assert await client.asked(request(1, _BLOCK, count)) == bytes((0x83, 3))
        for body in (b"\x03", b"\x03\x01", b"\x03\x01\x40\x00\x01\x00"):
            assert await client.asked(struct.pack(">HHHB", 1, 0, len(body) + 1, 1) + body) == bytes((0x83, 3))
        assert len(await client.asked(request(1, 2 * _BLOCK - 10, 20))) == 42, "two blocks that lie side by side"


async def test_what_is_no_modbus_ends_that_connection_with_a_sentence_and_no_other() -> None:
    made, chance = plan(), random.Random(1)
    no_modbus = [
        struct.pack(">HHHBB", 1, 1, 2, 1, 3),
        struct.pack(">HHHBB", 1, 0, 0, 1, 3),
        struct.pack(">HHHBB", 1, 0, 1, 1, 3),
        struct.pack(">HHHBB", 1, 0, 255, 1, 3),
        struct.pack(">HHHBB", 1, 0, 65_535, 1, 3),
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        *(chance.randbytes(chance.randint(1_000, 60_000)) for _ in range(8)),
    ]
    with structlog.testing.capture_logs() as logs:
        async with served(made), client_of(made) as good:
            for number, garbage in enumerate(no_modbus):
                async with client_of(made) as bad:
                    bad.send(request(1, _BLOCK, 1) + garbage)
                    assert await bad.is_closed()
                assert await good.asked(request(number, _BLOCK, 1)) == b"\x03\x02\x00\x01"
    told = [each["reason"] for each in logs if each["event"] == "delivery.registers_client"]
    assert told == ["closed: what it sends is no Modbus TCP"], "once, however often"


class Pipe(asyncio.Transport):
    """Takes what is written."""

    def __init__(self) -> None:
        super().__init__({"peername": ("192.0.2.7", 50_000)})
        self.written = bytearray()

    def write(self, data: Any) -> None:
        self.written += data

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        pass

    def pause_reading(self) -> None:
        pass

    def resume_reading(self) -> None:
        pass

    def abort(self) -> None:
        pass

    def close(self) -> None:
        pass


def _frames(data: bytes | bytearray) -> list[tuple[int, bytes]]:
    """Transaction and message of each, where the bytes are nothing but whole frames."""
    found, place = [], 0
    while place < len(data):
        transaction, protocol, length, _ = struct.unpack_from(">HHHB", data, place)
        assert protocol == 0
        message = bytes(data[place + 7 : place + 6 + length])
        assert len(message) == length - 1
        found.append((transaction, message))
        place += 6 + length
    return found


_SOME_FRAME = st.builds(
    lambda transaction, unit, message: struct.pack(">HHHB", transaction, 0, len(message) + 1, unit) + message,
    st.integers(0, 65_535),
    st.integers(0, 255),
    st.one_of(
        st.binary(min_size=1, max_size=20),
        st.builds(
            lambda function, address, count: struct.pack(">BHH", function, address, count),
            st.integers(0, 255),
            st.sampled_from((0, 39, _BLOCK, 2 * _BLOCK - 1, 65_535)) | st.integers(0, 65_535),
            st.sampled_from((0, 1, 125, 126)) | st.integers(0, 65_535),
        ),
    ),
)


@given(st.lists(_SOME_FRAME, max_size=12), st.binary(max_size=300), st.randoms(use_true_random=False))
def test_whatever_bytes_come_each_whole_request_has_one_answer_in_its_turn(
    frames: list[bytes], rest: bytes, chance: random.Random
) -> None:
    async def main() -> bytes:
        made = plan(port=1)
        image = RegisterImage(dict(made.blocks), made.order)
        server = RegisterServer(
            made, Hooks(lambda first, count: image.read(first, count, 0), lambda *_: None, lambda: None)
        )
        connection, pipe = server.callback_new_connection(), Pipe()
        connection.connection_made(pipe)
        data = b"".join(frames) + rest
        while data:
            size = chance.randint(1, 60)
            connection.data_received(data[:size])
            data = data[size:]
            if chance.random() < 0.5:
                await asyncio.sleep(0)
        await until(lambda: len(_frames(pipe.written)) >= len(frames))
        server.end()
        return bytes(pipe.written)

    answers = _frames(asyncio.run(main()))
    for frame, (transaction, message) in zip(frames, answers, strict=False):
        asked, function = int.from_bytes(frame[:2], "big"), frame[7]
        assert transaction == asked
        assert message[0] & 0x7F == function & 0x7F
        assert message[0] & 0x80 or (function in (3, 4) and message[1] == len(message) - 2)
        assert not message[0] & 0x80 or (len(message) == 2 and message[1] in (1, 2, 3, 0x0B))


async def test_a_mistake_in_the_program_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither where a block cannot be written nor where a connection breaks: others are answered as ever."""
    made = plan()
    honest = RegisterImage.read

    def read(image: RegisterImage, address: int, count: int, now_ns: int) -> bytes | None:
        if address == 2 * _BLOCK:
            raise ValueError("a number that fits nowhere")
        return honest(image, address, count, now_ns)

    monkeypatch.setattr(RegisterImage, "read", read)
    with structlog.testing.capture_logs() as logs:
        async with served(made), client_of(made) as one:
            # Of what cannot be told: exception 4, by the Modbus application protocol, section 7.
            assert await one.asked(request(1, 2 * _BLOCK, 1)) == bytes((0x83, 4))
            assert (await one.asked(request(2, _BLOCK, 3)))[:2] == bytes((3, 6))
            assert await is_served(made)
            broken = Connection.answer

            def answer(connection: Connection, at_most: int) -> int:
                monkeypatch.setattr(Connection, "answer", broken)
                raise ValueError("something else")

            monkeypatch.setattr(Connection, "answer", answer)
            one.send(request(3, _BLOCK, 3))
            assert await one.is_closed()
            assert await is_served(made)
    said = [each["reason"] for each in logs if each["event"] == "delivery.registers_client"]
    assert said == [
        f"no answer of register {2 * _BLOCK}: a mistake in the program, ValueError: a number that fits nowhere",
        "closed: a mistake in the program, ValueError: something else",
    ]


async def test_a_request_before_the_end_of_what_is_sent_is_answered() -> None:
    made = plan()
    async with served(made), client_of(made) as client:
        client.send(b"".join(request(number, _BLOCK, 3) for number in range(40)) + request(40, _BLOCK, 3)[:5])
        client.writer.write_eof()
        answers = [await client.answer() for _ in range(40)]
        assert [transaction for transaction, _, _ in answers] == list(range(40))
        assert await client.is_closed()


async def test_who_says_nothing_or_half_a_request_is_cut_off_with_a_sentence() -> None:
    made = plan(idle_s=0.2)
    with structlog.testing.capture_logs() as logs:
        async with served(made) as server, client_of(made) as silent, client_of(made) as slow:
            slow.send(request(1, _BLOCK, 1)[:8])
            assert await silent.is_closed()
            assert await slow.is_closed()
            assert server.status().clients == ()
            assert await is_served(made)
    told = {each["reason"] for each in logs if each["event"] == "delivery.registers_client"}
    assert told == {"closed: no whole request for 0.2 s"}


async def test_who_asks_without_end_and_never_reads_holds_up_nobody_and_is_cut_off() -> None:
    made = plan(idle_s=0.3)
    flood = b"".join(request(number, _BLOCK, 125) for number in range(2_000))
    with structlog.testing.capture_logs() as logs:
        async with served(made) as server, client_of(made) as good:
            hostile = [socket.socket() for _ in range(4)]
            for each in hostile:
                each.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65_536)
                each.connect(("127.0.0.1", made.port))
                each.setblocking(False)
            await until(lambda: len(server.status().clients) == 5)
            unsent = dict.fromkeys(hostile, b"")
            answered = 0
            while len(server.status().clients) > 1:
                for each in hostile:
                    with suppress(OSError):
                        unsent[each] = (unsent[each] or flood)[each.send(unsent[each] or flood) :]
                assert len(await good.asked(request(1, _BLOCK, 125))) == 252
                answered += 1
                await asyncio.sleep(0)
            assert answered > 1
            for each in hostile:
                each.close()
            assert await is_served(made)
    told = {each["reason"] for each in logs if each["event"] == "delivery.registers_client"}
    assert told == {"closed: it asks and does not read the answers"}


async def test_half_of_the_room_is_the_most_that_one_address_gets() -> None:
    made = plan(connections=8)
    with structlog.testing.capture_logs() as logs:
        async with served(made) as server:
            greedy = [await Client.connect(made) for _ in range(20)]
            await until(lambda: sum(each.reader.at_eof() for each in greedy) == 16)
            assert len(server.status().clients) == 4
            assert await is_served(made, "127.0.0.2"), "another is served"
            for each in greedy:
                each.close()
            await until(lambda: not server.status().clients)
            assert await is_served(made)
    told = [each["reason"] for each in logs if each["event"] == "delivery.registers_client"]
    assert told == ["refused: 4 connections from there are open, which is the most for one address"]


async def test_only_who_is_in_a_network_that_may_connect_is_served() -> None:
    made = plan(allow=(ip_network("127.0.0.2"), ip_network("192.0.2.0/24")))
    with structlog.testing.capture_logs() as logs:
        async with served(made) as server:
            for _ in range(3):
                async with client_of(made) as stranger:
                    stranger.send(request(1, _BLOCK, 1))
                    assert await stranger.is_closed()
            assert await is_served(made, "127.0.0.2")
            assert server.status().lost == 0
    told = [(each["client"], each["reason"]) for each in logs if each["event"] == "delivery.registers_client"]
    assert told == [("127.0.0.1", "refused: it is in none of the networks that may connect")]


def test_who_is_in_a_network() -> None:
    networks = (ip_network("192.0.2.0/24"), ip_network("2001:db8::/32"))
    for host in ("192.0.2.7", "::ffff:192.0.2.7", "2001:db8::1", "2001:db8::1%eth0"):
        assert allowed(host, networks)
    for host in ("192.0.3.7", "::ffff:192.0.3.7", "2001:db9::1", "fe80::1", "harbour", ""):
        assert not allowed(host, networks)
    assert allowed("198.51.100.1", ())


def test_one_that_was_switched_off_and_comes_back_takes_the_place_of_its_own() -> None:
    """Its old connections stand here for as long as nobody says that they are gone."""
    old = [Seat(number, "192.0.2.7", 60.0 + number) for number in range(8)]
    assert admission("192.0.2.7", old, 16) == Admission(makes_way=7)
    busy = [seat._replace(idle_s=1.0) for seat in old]
    assert admission("192.0.2.7", busy, 16).refused
    assert admission("192.0.2.8", busy, 16) == Admission()
    others = [Seat(10 + number, f"192.0.2.{100 + number}", 2.0) for number in range(8)]
    assert admission("192.0.2.8", [*busy, *others], 16).refused == (
        "16 connections are open, which is the most (connections: in the site file)"
    )
    assert [admission("192.0.2.7", busy[:number], 1).refused != "" for number in (0, 1)] == [False, True]


async def test_a_port_that_is_taken_is_said_and_taken_once_it_is_free() -> None:
    made = plan()
    holder = socket.create_server(("127.0.0.1", made.port))
    server = destination(made)
    async with running(server):
        for sequence in range(1, 8):
            server.offer(record("TK-1", sequence))
        await until(lambda: server.status().troubles)
        (trouble,) = server.status().troubles
        assert trouble.code == "destination_unusable"
        assert re.fullmatch(
            rf"127.0.0.1:{made.port} cannot be listened on: .*[Aa]ddress already in use.*", trouble.text
        )
        status = server.status()
        assert (status.delivered, status.lost, status.waiting, status.connected) == (0, 6, 1, False)
        holder.close()
        await until(lambda: server.status().connected)
        assert await is_served(made)
        status = server.status()
        assert (status.delivered, status.lost, status.waiting, status.troubles) == (1, 6, 0, ())


async def test_run_again_it_serves_again_and_at_the_end_who_is_there_is_let_go() -> None:
    made = plan()
    server = destination(made)
    server.offer(record("TK-1", 7))
    for _ in range(2):
        async with running(server):
            await until(lambda: server.status().connected)
            assert await is_served(made)
            client = await Client.connect(made)
            assert len(await client.asked(request(1, _BLOCK, 3))) == 8
        assert await client.is_closed()
        client.close()
    assert (server.status().delivered, server.status().clients) == (1, ())


async def test_what_one_request_reads_is_of_one_sheet() -> None:
    """Each sheet has its number as its level and as its volume: never does a reader meet two of them in one answer."""
    made = plan(order="CDAB")
    reader = RegisterMap(map_csv(made))
    async with served(made) as server, client_of(made) as client:
        seen = set()
        for number in range(1, 300):
            amount = Figure(float(number), Quality.GOOD, (), 0.0)
            client.send(request(number, _BLOCK, 125) * 3)
            server.offer(record("TK-1", number, level=amount, gsv=amount, room=amount))
            for _ in range(3):
                told = reader.numbers("TK-1", (await client.answer())[2][2:], _BLOCK)
                assert told["gsv.float"] == told["room.float"]
                if told["main.sheet"] != 7 or number >= 7:  # else it may be the sheet that stood there before
                    assert told["main.sheet"] == told["level.float"] == told["gsv.float"]
                assert (told["gsv.integer"], told["gsv.quality"]) in ((1_000 * told["gsv.float"], 2), (-(2**31), 3))
                seen.add(told["main.sheet"])
        assert len(seen) > 100


async def test_libmodbus_reads_and_may_not_write(tmp_path: Path) -> None:
    program = compiled(Path(__file__).with_name("registers_reader.c"), tmp_path)
    made = plan()
    async with served(made):
        process = await asyncio.create_subprocess_exec(
            program, str(made.port), str(_BLOCK), stdout=asyncio.subprocess.PIPE
        )
        out, _ = await process.communicate()
    assert process.returncode == 0
    line = "9.412 94120 2"
    assert out.decode().splitlines() == [line, line, "1 1 1 1 1 1", line]


async def test_mbpoll_reads_as_the_demo_says() -> None:
    made = plan()
    async with served(made):
        shown = []
        for kind, number, more in (("4:float", "334", ["-B"]), ("4:int", "336", ["-B"]), ("3", "338", [])):
            process = await asyncio.create_subprocess_exec(
                *("mbpoll", "-m", "tcp", "-p", str(made.port), "-t", kind, *more, "-r", number, "-1", "127.0.0.1"),
                stdout=asyncio.subprocess.PIPE,
            )
            out, _ = await process.communicate()
            assert process.returncode == 0
            shown += re.findall(r"^\[\d+\]:\s+(\S+)", out.decode(), re.MULTILINE)
    assert shown == ["9.412", "94120", "2"]


async def test_pymodbus_reads_and_may_not_write() -> None:
    made = plan(order="DCBA")
    async with served(made) as server:
        client = AsyncModbusTcpClient("127.0.0.1", port=made.port, retries=0)
        try:
            assert await client.connect()
            read = await client.read_holding_registers(_BLOCK, count=125, device_id=1)
            also = await client.read_input_registers(_BLOCK, count=125, device_id=0)
            assert read.registers == also.registers
            data = struct.pack(">125H", *read.registers)
            told = RegisterMap(map_csv(made)).numbers("TK-1", data, _BLOCK)
            assert told["level.float"] == pytest.approx(9.412)
            refused = await client.write_register(_BLOCK, 1, device_id=1)
            assert refused.isError()
            assert refused.exception_code == 1
            assert server.status().clients[0].refused == "requests refused: 1 to write"
        finally:
            client.close()
