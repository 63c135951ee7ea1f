"""Every signal at every stage: those that ask for an end get a clean one, the others get none.

What comes before the program's own first line cannot be caught: until then the signal is the interpreter's.
"""

import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest

from tests.processes.gateway_process import Instruments, eventually, gateway, write_site
from tests.support.mosquitto import Mosquitto

pytestmark = pytest.mark.timeout(240)

ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT)
MEANINGLESS = (signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2, signal.SIGPIPE)
"""A terminal that is closed, a tool that turns logs over, a reader that has gone."""


def has_begun(process: "subprocess.Popen[bytes]") -> bool:
    """Whether SIGTERM is caught: neither the shell before it nor the interpreter does so by itself, and what is caught
    is not passed on to another program, as what is ignored is."""
    status = Path(f"/proc/{process.pid}/status").read_text("ascii")
    caught = int(status.partition("SigCgt:")[2].split()[0], 16)
    return bool(caught >> (signal.SIGTERM - 1) & 1)


@contextmanager
def a_full_entrance() -> Iterator[Instruments]:
    """An address at which a connection is neither made nor refused."""
    with ExitStack() as stack:
        listener = stack.enter_context(socket.socket())
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(4):
            waiting = stack.enter_context(socket.socket())
            waiting.setblocking(False)
            with suppress(BlockingIOError):
                waiting.connect(listener.getsockname())
        instruments = Instruments()
        instruments.port = listener.getsockname()[1]
        yield instruments


@pytest.mark.parametrize("number", ENDING)
def test_while_it_loads(number: signal.Signals, site: Path) -> None:
    with gateway(site) as running:
        eventually(lambda: has_begun(running.process), "the gateway listens to signals")
        for meaningless in MEANINGLESS:
            running.process.send_signal(meaningless)
        assert running.end(number) == 0


@pytest.mark.parametrize("number", ENDING)
def test_while_it_connects(number: signal.Signals, tmp_path: Path) -> None:
    """To an instrument that is not there, and to a broker that accepts connections and says nothing."""
    with a_full_entrance() as nobody, socket.create_server(("127.0.0.1", 0)) as mute:
        site = write_site(tmp_path, [nobody], broker=mute.getsockname()[1])
        with gateway(site) as running:
            eventually(running.serves, "the gateway answers over HTTP")
            connection, _ = mute.accept()
            with connection:
                assert connection.recv(1) == b"\x10", "a CONNECT, which nobody answers"
                for meaningless in MEANINGLESS:
                    running.process.send_signal(meaningless)
                eventually(running.serves, "the gateway answers over HTTP")
                assert running.end(number) == 0


@pytest.mark.parametrize("number", ENDING)
def test_while_it_runs(number: signal.Signals, site: Path, yard: list[Instruments]) -> None:
    with gateway(site) as running:
        running.goes_on(*yard)
        for meaningless in MEANINGLESS:
            running.process.send_signal(meaningless)
        running.goes_on(*yard)
        running.ends_well(number)


def test_while_it_stops(site: Path, yard: list[Instruments], broker: Mosquitto) -> None:
    """Held up by a broker that stands still for a while."""
    with gateway(site) as running:
        running.goes_on(*yard)
        broker.freeze()
        running.process.send_signal(signal.SIGTERM)
        eventually(lambda: not any(each.connections for each in yard), "the lines are closed")
        for number in (*MEANINGLESS, *ENDING):
            running.process.send_signal(number)
        broker.thaw()
        assert running.end() == 0


@pytest.mark.parametrize("number", ENDING)
def test_to_its_last_breath(number: signal.Signals, site: Path, yard: list[Instruments]) -> None:
    """Again and again until nobody is there any more, through the end of the interpreter."""
    with gateway(site) as running:
        running.goes_on(*yard)
        while running.process.poll() is None:
            running.process.send_signal(number)
        assert running.process.wait() == 0
