"""A way to a server that can be made bad: refused, cut, silent while it seems to stand, or slow."""

import socket
import struct
import threading
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Self

__all__ = ["TcpProxy"]

_CHUNK = 4096
_RESET = struct.pack("ii", 1, 0)


class TcpProxy:
    """Listens on a port of 127.0.0.1, or where it is told, and passes on what comes, as long as it is told to."""

    def __init__(self, server_port: int, listener: socket.socket | None = None) -> None:
        self._server_port = server_port
        self._open = threading.Event()
        """While it is clear connections stand and nothing goes through."""
        self._open.set()
        self._pause_s = 0.0
        self._ending = threading.Event()
        self._connections: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._listener = socket.create_server(("127.0.0.1", 0)) if listener is None else listener
        self.port: int = self._listener.getsockname()[1]
        self._refusing = False
        self.accepted = 0
        self._threads: list[threading.Thread] = []
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def refuse(self) -> None:
        """Who comes is sent away at once, and who is there too."""
        self._refusing = True
        self.cut()

    def cut(self) -> None:
        """All connections are reset, without what was under way."""
        with self._lock:
            for each in self._connections:
                with suppress(OSError):
                    each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
                    each.shutdown(socket.SHUT_RDWR)

    def hold(self) -> None:
        """Half open: connections stand, are made even, and nothing goes through either way."""
        self._open.clear()

    def slow(self, pause_s: float) -> None:
        """So long passes before each 4 kB."""
        self._pause_s = pause_s

    def mend(self) -> None:
        """As it was; what was held goes on."""
        self._refusing = False
        self._pause_s = 0.0
        self._open.set()

    def close(self) -> None:
        self._ending.set()
        self._open.set()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._accepting.join()
        self._listener.close()
        self.cut()
        for each in self._threads:
            each.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _accept(self) -> None:
        while not self._ending.is_set():
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            if self._refusing:
                client.close()
                continue
            self.accepted += 1
            try:
                server = socket.create_connection(("127.0.0.1", self._server_port), timeout=5.0)
                server.settimeout(None)
            except OSError:
                client.close()
                continue
            with self._lock:
                self._connections |= {client, server}
            self._begin(self._serve, client, server)

    def _begin(self, work: Callable[..., None], *arguments: socket.socket) -> threading.Thread:
        thread = threading.Thread(target=work, args=arguments, daemon=True)
        self._threads.append(thread)
        thread.start()
        return thread

    def _serve(self, client: socket.socket, server: socket.socket) -> None:
        back = self._begin(self._pump, server, client)
        self._pump(client, server)
        back.join()
        with self._lock:
            self._connections -= {client, server}
        client.close()
        server.close()

    def _pump(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while chunk := source.recv(_CHUNK):
                self._open.wait()
                if self._pause_s:
                    self._ending.wait(self._pause_s)
                target.sendall(chunk)
        for each in (source, target):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
