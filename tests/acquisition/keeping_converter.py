"""A converter that keeps answers, as a process of its own between the gateway and a server: knows nothing of ours.

`python -m tests.acquisition.keeping_converter rtu|mbap tcp|LINK PORT [OTHER]`: near the gateway it listens on TCP
or on a pseudo terminal with the name LINK; far away it speaks TCP to the server at PORT, and every other time to that
at OTHER once it is told so. It prints its own port, then takes words from its standard input, one a line:

well        pass everything on
keep        keep the next answer; from then on each request is given the one before
once        keep the next answer, and hand it over before that to the next request
apart       keep the next three answers, and hand them over 0.2 s apart before that to the fourth
cut         end the connection to the gateway; what is kept stays
busy        answer every second request with exception 6
twins       ask the two servers by turns

It says each word again when that holds. A request that comes in while another is served waits.
"""

import asyncio
import os
import sys
import tty
from collections.abc import Callable
from contextlib import suppress

APART_S = 0.2


def crc(data: bytes) -> bytes:
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


class Converter:
    def __init__(self, is_mbap: bool, ports: list[int]) -> None:
        self._is_mbap = is_mbap
        self._ports = ports
        self._servers: dict[int, tuple[asyncio.StreamReader, asyncio.StreamWriter]] = {}
        self._requests: asyncio.Queue[bytes] = asyncio.Queue()
        self._partly = b""
        self._kept: list[bytes] = []
        self._held = 0
        """How many answers are kept at a time."""
        self._let_go_after = -1
        """After so many are kept they are handed over and nothing is kept any more; -1: never."""
        self._turn = 0
        self._is_busy = self._are_twins = False
        self.send: Callable[[bytes], None] = lambda data: None
        self.cut: Callable[[], None] = lambda: None

    def received(self, data: bytes) -> None:
        self._partly += data
        while len(self._partly) >= (size := 12 if self._is_mbap else 8):
            self._requests.put_nowait(self._partly[:size])
            self._partly = self._partly[size:]

    def new_connection(self) -> None:
        self._partly = b""

    def told(self, word: str) -> None:
        self._is_busy, self._are_twins = word == "busy", word == "twins"
        if word == "well":
            self._held, self._let_go_after = 0, -1
        elif word == "keep":
            self._held, self._let_go_after = 1, -1
        elif word == "once":
            self._held, self._let_go_after = 1, 1
        elif word == "apart":
            self._held, self._let_go_after = 3, 3
        elif word == "cut":
            self._held = 1
            self.cut()

    async def run(self) -> None:
        while True:
            request = await self._requests.get()
            self._turn += 1
            if self._is_busy and self._turn % 2:
                self.send(self._exception(request))
                continue
            self._kept.append(await self._ask(request))
            if self._held and len(self._kept) <= self._held:
                continue
            if self._let_go_after == -1 and self._held:
                self.send(self._kept.pop(0))
                continue
            apart_s = APART_S if self._held > 1 else 0.0
            while self._kept:
                self.send(self._kept.pop(0))
                if self._kept:
                    await asyncio.sleep(apart_s)
            self._held = 0

    async def _ask(self, request: bytes) -> bytes:
        port = self._ports[self._turn % 2 if self._are_twins else 0]
        if port not in self._servers:
            self._servers[port] = await asyncio.open_connection("127.0.0.1", port)
        reader, writer = self._servers[port]
        writer.write(request)
        if self._is_mbap:
            header = await reader.readexactly(6)
            return header + await reader.readexactly(int.from_bytes(header[4:6]))
        begin = await reader.readexactly(3)
        return begin + await reader.readexactly(2 if begin[1] & 0x80 else begin[2] + 2)

    def _exception(self, request: bytes) -> bytes:
        if self._is_mbap:
            return request[:4] + b"\0\3" + request[6:7] + bytes([request[7] | 0x80, 6])
        message = request[:1] + bytes([request[1] | 0x80, 6])
        return message + crc(message)


async def near_tcp(converter: Converter) -> str:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        converter.new_connection()
        converter.send, converter.cut = writer.write, writer.transport.abort
        with suppress(OSError):
            while data := await reader.read(4096):
                converter.received(data)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    return str(server.sockets[0].getsockname()[1])


def near_pty(converter: Converter, link: str) -> str:
    far, near = os.openpty()
    tty.setraw(near)
    os.symlink(os.ttyname(near), link)
    converter.send = lambda data: void(os.write(far, data))
    asyncio.get_running_loop().add_reader(far, lambda: converter.received(os.read(far, 4096)))
    return link


def void(_: object) -> None:
    """The number of bytes that were written tells nothing: a terminal takes them all."""


def say(word: str) -> None:
    sys.stdout.write(f"{word}\n")
    sys.stdout.flush()


async def main(framing: str, near: str, *ports: str) -> None:
    converter = Converter(framing == "mbap", [int(port) for port in ports])
    name = await near_tcp(converter) if near == "tcp" else near_pty(converter, near)
    say(name)
    words = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(words), sys.stdin)
    serving = asyncio.create_task(converter.run())
    while word := (await words.readline()).decode().strip():
        converter.told(word)
        say(word)
    serving.cancel()


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
