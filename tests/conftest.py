"""What every test gets: Hypothesis profiles, the wire recorder and the rule that nothing is left out."""

import gc
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import count
from pathlib import Path

import pytest
import structlog
from hypothesis import HealthCheck, settings

from gateway.process.running import DIRECTORY_VARIABLE
from tests.support.loop_checks import check_every_loop
from tests.support.undisturbed import parse_undisturbed
from tests.support.wire import SESSION_LEDGER, WireRecorder

_SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT, signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2)

pytest_plugins = ["pytester", "tests.support.strict_run"]

# Gateways are started by hundreds, and each compiles 400 modules anew where this is not allowed to be kept. Where the
# program is broken on purpose, all of it is to be compiled anew.
if "COMPILE_ANEW" not in os.environ:
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

check_every_loop()
parse_undisturbed()

# Until all is collected: what is imported and collected stays, and no search for garbage goes through it meanwhile.
gc.disable()

# No deadline: two cores are shared, and a wall-clock figure belongs in the bench.
settings.register_profile("everyday", max_examples=100, deadline=None, derandomize=True)
settings.register_profile(
    "fuzz",
    max_examples=20_000,
    deadline=None,
    derandomize=False,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "everyday"))


def pytest_collection_finish() -> None:
    """Twelve thousand tests are a million objects, which stay: no search for garbage goes through them again."""
    gc.collect()
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session")
def runtime_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A new one each time, which whoever needs it makes: most tests start no gateway."""
    folder = tmp_path_factory.mktemp("runtime")
    return (folder / str(number) for number in count())


@pytest.fixture(autouse=True)
def gateways_of_this_test_alone(runtime_folders: Iterator[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """What runs on this machine beside a test, another test or a demo, must neither be found by it nor stop it."""
    monkeypatch.setenv(DIRECTORY_VARIABLE, str(next(runtime_folders)))


@pytest.fixture(autouse=True)
def logging_as_it_comes() -> Iterator[None]:
    """Commands set up logging for the whole process: what one test filters out must not be missing in the next."""
    structlog.reset_defaults()
    yield
    structlog.reset_defaults()


@pytest.fixture(autouse=True)
def signals_as_they_were() -> Iterator[None]:
    """Commands set them for the whole process: what one test ignores, the processes of the next must not inherit."""
    before = {number: signal.getsignal(number) for number in _SIGNALS}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture
def wire_recorder() -> Iterator[Callable[[int], WireRecorder]]:
    """Make a recorder in front of the Modbus TCP server on a port of 127.0.0.1; connect the gateway to its `port`.

    At teardown the test fails if anything but a read went over one of them.
    """
    with ExitStack() as recorders:
        yield lambda server_port: recorders.enter_context(WireRecorder(server_port, ledger=SESSION_LEDGER))
