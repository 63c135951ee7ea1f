"""What a technician stands before: simulated instruments behind recorded wires, a site file that leads to them, a
Modbus server made by others, and a gateway that can be started; all on a thread of its own, as commands block."""

import asyncio
import shutil
import subprocess
import threading
from collections.abc import Callable, Coroutine, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from structlog.testing import capture_logs

import simulators
from gateway.commands.service.site_argument import load
from gateway.daemon import Daemon
from gateway.resources import config_path
from tests.support.mosquitto import free_port
from tests.support.serial_wire import SerialRecorder, parse_ascii_requests, parse_rtu_requests
from tests.support.wire import SESSION_LEDGER, WireRecorder, parse_requests

__all__ = ["Panel", "foreign_serial_server", "foreign_server", "open_panel"]

_PATIENCE_S = 30.0
_PORTS = {"bus-a": 15020, "yard-1": 15021, "yard-2": 15022, "power": 15023}
_PARSERS = {
    FramerType.SOCKET: parse_requests,
    FramerType.RTU: parse_rtu_requests,
    FramerType.ASCII: parse_ascii_requests,
}
_T = TypeVar("_T")


class Panel:
    """The loop of another thread, and what is served from it."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self._loop = loop
        self.site_file = ""
        self.simulator: simulators.Running | None = None
        self.addresses: Mapping[str, str] = {}
        """Of each line, through its recorder."""
        self.web_port = 0

    def do(self, work: Coroutine[Any, Any, _T]) -> _T:
        """Run something in the other loop and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(_PATIENCE_S)

    def fault(self, instrument: str, name: str, **options: object) -> None:
        """Give an instrument a fault of the simulator's."""

        async def give() -> None:
            assert self.simulator is not None
            self.simulator.set_fault(instrument, name, **options)

        self.do(give())

    @contextmanager
    def gateway(self) -> Iterator[Daemon]:
        """A running gateway of the site, from its first reading of every instrument on. What it logs is its own."""
        with capture_logs():
            daemon, task = self.do(self._start_gateway())
            try:
                yield daemon
            finally:
                self.do(_end(task))

    async def _start_gateway(self) -> tuple[Daemon, "asyncio.Task[None]"]:
        daemon = Daemon(load(self.site_file))
        task = asyncio.create_task(daemon.run())
        async with asyncio.timeout(_PATIENCE_S):
            while daemon.http_port is None or not all(  # noqa: ASYNC110 (it raises no event)
                status.last_answer_ns for status in daemon.snapshot().instruments
            ):
                await asyncio.sleep(0.02)
        return daemon, task


@contextmanager
def open_panel(folder: Path, record: Callable[[int], WireRecorder]) -> Iterator[Panel]:
    """The ten tanks in their printed state, standing still."""
    with _loop() as loop:
        panel = Panel(loop)
        serving = simulators.serve(
            simulators.load_scenario("printed_state"), ports=dict.fromkeys(_PORTS, 0), by_clock=False
        )
        panel.simulator = running = panel.do(serving.__aenter__())
        try:
            recorders = {line: record(port) for line, (_, port) in running.addresses.items()}
            panel.addresses = {line: f"127.0.0.1:{recorder.port}" for line, recorder in recorders.items()}
            panel.web_port = free_port()
            panel.site_file = str(_site_file(folder, panel))
            yield panel
        finally:
            panel.do(serving.__aexit__(None, None, None))


@contextmanager
def foreign_server(
    words: list[int], framer: FramerType = FramerType.SOCKET, *, asked_in: FramerType | None = None
) -> Iterator[int]:
    """pymodbus serving these holding registers of unit 1 from address 0, behind a recorder; gives the port of that.

    `asked_in` is the framing of the requests where that is not the server's.
    """
    with _loop() as loop:

        async def start() -> ModbusTcpServer:
            data = SimData(0, values=words, datatype=DataType.REGISTERS)
            server = ModbusTcpServer(SimDevice(1, simdata=[data]), framer=framer, address=("127.0.0.1", 0))
            await server.serve_forever(background=True)
            return server

        server = asyncio.run_coroutine_threadsafe(start(), loop).result(_PATIENCE_S)
        try:
            assert isinstance(server.transport, asyncio.Server)
            port = server.transport.sockets[0].getsockname()[1]
            with WireRecorder(port, ledger=SESSION_LEDGER, parse=_PARSERS[asked_in or framer]) as recorder:
                yield recorder.port
        finally:
            ending = server.shutdown()  # type: ignore[no-untyped-call]
            asyncio.run_coroutine_threadsafe(ending, loop).result(_PATIENCE_S)


@contextmanager
def foreign_serial_server(words: list[int], folder: Path) -> Iterator[str]:
    """The same as RTU on one end of a null-modem cable at 19200 baud; gives the other end, recorded."""
    if shutil.which("socat") is None:
        raise AssertionError("these tests need: apt-get install socat")
    near, far = folder / "near", folder / "far"
    command = ["socat", "-d", "-d", f"pty,rawer,link={near}", f"pty,rawer,link={far}"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as cable, _loop() as loop:
        assert cable.stderr is not None
        for line in cable.stderr:
            if "starting data transfer loop" in line:
                break

        async def start() -> ModbusSerialServer:
            data = SimData(0, values=words, datatype=DataType.REGISTERS)
            device = SimDevice(1, simdata=[data])
            server = ModbusSerialServer(device, framer=FramerType.RTU, port=str(far), baudrate=19_200)
            await server.serve_forever(background=True)
            return server

        server = asyncio.run_coroutine_threadsafe(start(), loop).result(_PATIENCE_S)
        try:
            with SerialRecorder(folder / "recorded", near, ledger=SESSION_LEDGER) as recorder:
                yield str(recorder.path)
        finally:
            ending = server.shutdown()  # type: ignore[no-untyped-call]
            asyncio.run_coroutine_threadsafe(ending, loop).result(_PATIENCE_S)
            cable.terminate()


def _site_file(folder: Path, panel: Panel) -> Path:
    text = config_path("demo", "site.yaml").read_text("utf-8")
    for line, port in _PORTS.items():
        text = text.replace(f"127.0.0.1:{port}", panel.addresses[line])
    text = text.replace("period: 2 s}", "period: 100 ms}")
    text = text.replace("127.0.0.1:9109", f"127.0.0.1:{panel.web_port}")
    head, _, rest = text.partition("\nweb:")
    delivery = head.find("\ndelivery:")
    # Without a broker: none is needed here.
    path = folder / "site.yaml"
    path.write_text((head if delivery < 0 else head[:delivery]) + "\nweb:" + rest, "utf-8")
    return path


@contextmanager
def _loop() -> Iterator[asyncio.AbstractEventLoop]:
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="panel")
    thread.start()
    try:
        yield loop
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join(_PATIENCE_S)
        loop.close()


async def _end(task: "asyncio.Task[None]") -> None:
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
