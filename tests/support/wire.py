"""A recording proxy between a Modbus TCP client and its server: the proof, from the bytes, that nothing writes.

Shares no code with the gateway or the simulators: it has its own reading of the MBAP header (MODBUS Messaging on
TCP/IP Implementation Guide V1.0b, section 3.1.3) and of the function codes (MODBUS Application Protocol Specification
V1.1b3, section 5.1).
"""

import socket
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from types import TracebackType
from typing import NamedTuple, Self

__all__ = ["SESSION_LEDGER", "Parse", "Request", "WireLedger", "WireRecorder", "parse_requests", "violations_of"]

HEADER_LENGTH = 7
READ_FUNCTIONS = frozenset({1, 2, 3, 4})
ENCAPSULATED_TRANSPORT = 43
DEVICE_IDENTIFICATION = 14


class Request(NamedTuple):
    """One request as the client put it on the wire."""

    transaction: int
    """0 where the framing has none."""
    unit: int
    function: int
    body: bytes
    """What follows the function code."""

    @property
    def reads_only(self) -> bool:
        """Whether it is a read of one of the four tables, or function 43/14, Read Device Identification."""
        if self.function == ENCAPSULATED_TRANSPORT:
            return self.body[:1] == bytes([DEVICE_IDENTIFICATION])
        return self.function in READ_FUNCTIONS


Parse = Callable[[bytes], tuple[list[Request], str | None]]
"""Splits all that a client sent into requests, and says what is wrong with the bytes, if anything."""


def parse_requests(stream: bytes) -> tuple[list[Request], str | None]:
    """Split all that one client sent over one connection into requests, and say what is wrong with the bytes, if any.

    A request cut off by the end of the connection counts when its function code went out.
    """
    requests: list[Request] = []
    position = 0
    while position < len(stream):
        header = stream[position : position + HEADER_LENGTH]
        if len(header) < HEADER_LENGTH:
            break
        transaction, protocol, length = (int.from_bytes(header[i : i + 2]) for i in (0, 2, 4))
        if protocol != 0 or not 2 <= length <= 254:
            return requests, f"byte {position}: {header.hex(' ')} is no MBAP header"
        pdu = stream[position + HEADER_LENGTH : position + 6 + length]
        if not pdu:
            break
        requests.append(Request(transaction, header[6], pdu[0], pdu[1:]))
        position += 6 + length
    return requests, None


def violations_of(where: str, requests: list[Request], fault: str | None) -> list[str]:
    """What of all this is not a read."""
    found = [
        f"{where}: function code {request.function} to unit {request.unit}"
        for request in requests
        if not request.reads_only
    ]
    return [*found, f"{where}: {fault}"] if fault else found


@dataclass
class WireLedger:
    """What all recorders of a test session saw together."""

    functions: Counter[int] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)

    def add(self, functions: dict[int, int], violations: list[str]) -> None:
        self.functions.update(functions)
        self.violations.extend(violations)


SESSION_LEDGER = WireLedger()
"""What the wire recorders of this process saw; the workers' ledgers are added to that of the controlling process."""


class WireRecorder:
    """Listens on a free port of 127.0.0.1, passes every byte on to the server and keeps those of the client.

    `parse` is for other framings than that of Modbus TCP: what a converter is sent.
    Runs on threads of its own, so that it serves synchronous and asynchronous tests and other processes alike.
    `close()` (or leaving the `with`) enters what was seen into the ledger and raises AssertionError for any request
    that is not a read.
    """

    def __init__(
        self, server_port: int, server_host: str = "127.0.0.1", *, ledger: WireLedger, parse: Parse = parse_requests
    ) -> None:
        self._server = (server_host, server_port)
        self._ledger = ledger
        self._parse = parse
        self._streams: list[bytearray] = []
        self._sockets: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host = "127.0.0.1"
        self.port: int = self._listener.getsockname()[1]
        self._start(self._accept, "accept")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    @property
    def streams(self) -> list[bytes]:
        """What the clients sent, one entry per connection in the order of connecting."""
        with self._lock:
            return [bytes(stream) for stream in self._streams]

    @property
    def requests(self) -> list[Request]:
        """Every request so far, connection by connection."""
        return [request for stream in self.streams for request in self._parse(stream)[0]]

    def close(self) -> None:
        """Close every connection, then judge. Raises AssertionError if anything but a read was sent."""
        if self._closing.is_set():
            return
        self._closing.set()
        # close() alone would not wake a thread that waits in accept() or recv().
        _shut(self._listener)
        with self._lock:
            for connection in self._sockets:
                _shut(connection)
        for thread in self._threads:
            thread.join(timeout=10)
        self._listener.close()
        violations = self._violations()
        self._ledger.add(Counter(request.function for request in self.requests), violations)
        assert not violations, "; ".join(violations)

    def _violations(self) -> list[str]:
        return [
            violation
            for number, stream in enumerate(self.streams, start=1)
            for violation in violations_of(f"connection {number} to port {self._server[1]}", *self._parse(stream))
        ]

    def _start(self, work: Callable[..., None], name: str, *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, name=f"wire-{self.port}-{name}", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._closing.is_set():
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            try:
                server = socket.create_connection(self._server, timeout=5)
            except OSError:
                # As a client without the proxy would find it: the connection is gone at once.
                client.close()
                continue
            server.settimeout(None)
            for connection in (client, server):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            stream = bytearray()
            with self._lock:
                self._streams.append(stream)
                self._sockets += [client, server]
            if self._closing.is_set():
                _shut(client)
                _shut(server)
            self._start(self._serve, f"connection-{len(self._streams)}", client, server, stream)

    def _serve(self, client: socket.socket, server: socket.socket, stream: bytearray) -> None:
        back = threading.Thread(target=self._pump, args=(server, client, None), daemon=True)
        back.start()
        self._pump(client, server, stream)
        back.join(timeout=10)
        with self._lock:
            self._sockets.remove(client)
            self._sockets.remove(server)
        client.close()
        server.close()

    def _pump(self, source: socket.socket, target: socket.socket, stream: bytearray | None) -> None:
        """Pass bytes on until either side ends, then end both. Bytes are kept before they are passed on."""
        try:
            while chunk := source.recv(65_536):
                if stream is not None:
                    with self._lock:
                        stream += chunk
                target.sendall(chunk)
        except OSError:
            pass  # a reset ends the connection as an orderly close does
        finally:
            _shut(source)
            _shut(target)


def _shut(connection: socket.socket) -> None:
    with suppress(OSError):  # already closed by the peer
        connection.shutdown(socket.SHUT_RDWR)
