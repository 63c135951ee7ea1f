"""A line of instruments behind a port of this machine, by Modbus TCP or as a converter passes RTU and ASCII on."""

import asyncio
import errno

from simulators.connection import WRITE_FUNCTIONS, Connection, Devices, StreamConnection, TcpConnection
from simulators.framing import STREAM_FRAMINGS
from simulators.instrument import Instrument

__all__ = ["WRITE_FUNCTIONS", "Line"]


class Line(Devices):
    """One listening address. `framing`: `tcp`, `rtu` or `ascii`."""

    def __init__(
        self,
        name: str,
        instruments: dict[int, Instrument],
        unknown_unit_answers: bool = False,
        framing: str = "tcp",
    ) -> None:
        super().__init__(name, instruments, unknown_unit_answers)
        self.framing = framing
        self.address: tuple[str, int] = ("", 0)
        self._server: asyncio.Server | None = None

    @property
    def place(self) -> str:
        """Where and how it is reached, for people."""
        host, port = self.address
        return f"modbus://{host}:{port}" if self.framing == "tcp" else f"{host}:{port}, {self.framing} inside TCP"

    @property
    def listening(self) -> bool:
        """Whether it takes connections now."""
        return self._server is not None

    async def open(self, host: str, port: int) -> bool:
        """Listen on the address; where the port is taken, on a free one. Return whether it got the port it wanted."""
        loop = asyncio.get_running_loop()
        taken = False
        try:
            server = await loop.create_server(self._connection, host, port, backlog=512)
        except OSError as exc:
            if exc.errno not in (errno.EADDRINUSE, errno.EACCES):
                raise
            taken = True
            server = await loop.create_server(self._connection, host, 0, backlog=512)
        self._server = server
        name = server.sockets[0].getsockname()
        self.address = (name[0], name[1])
        return not taken

    async def reopen(self) -> bool:
        """Listen again where it did before; False where that port is taken for the moment."""
        if self._server is not None:
            return True
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(self._connection, *self.address, backlog=512)
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Stop listening and end every connection, at once."""
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self.connections):
            connection.abort()

    def _connection(self) -> Connection:
        return TcpConnection(self) if self.framing == "tcp" else StreamConnection(self, STREAM_FRAMINGS[self.framing])
