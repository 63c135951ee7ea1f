"""One box for the whole story, and what was measured on it, printed at the end."""

import os
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.on_debian.guide import Guide
from tests.deploy.on_debian.machine import Machine, copied, make_root
from tests.deploy.on_debian.service import YARD, Service

SUITE = os.environ.get("DEBIAN") or "trixie"
FIGURES = pytest.StashKey[list[str]]()


@pytest.fixture(scope="session")
def guide() -> Guide:
    return Guide()


@pytest.fixture(scope="session")
def folder() -> Iterator[Path]:
    # Not in memory, and where others may look in: the machine's users come by here.
    folder = Path(tempfile.mkdtemp(prefix="deploy-test.", dir="/var/tmp"))
    folder.chmod(0o755)
    yield folder
    # Tens of thousands of files.
    subprocess.run(["rm", "--recursive", "--force", "--one-file-system", folder], check=True)


@pytest.fixture(scope="session")
def bare(folder: Path) -> Path:
    """The machine before anybody has typed anything."""
    make_root(folder / "bare", SUITE)
    return folder / "bare"


@pytest.fixture(scope="session")
def box(bare: Path) -> Iterator[Machine]:
    with Machine(copied(bare, "box")) as machine:
        machine.write("/root/yard.yaml", YARD)
        yield machine


@pytest.fixture(scope="session")
def service(box: Machine) -> Service:
    return Service(box)


@pytest.fixture
def figures(pytestconfig: pytest.Config) -> list[str]:
    """What is worth telling and is not judged."""
    return pytestconfig.stash.setdefault(FIGURES, [])


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for line in config.stash.get(FIGURES, []):
        terminalreporter.write_line(line)
