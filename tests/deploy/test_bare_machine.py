"""Where something is missing on the machine it is installed, or one line says what to type; nothing is ever asked.

Python, sudo and what runs under it are stand-ins that write down how they were called: this machine stays as it is.
`make fresh` does the same on real ones.
"""

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
PYTHONS = ("python3", "python3.11", "python3.12", "python3.13")

PYTHON = """#!/bin/sh
case "$*" in
    *version_info\\ *) exit {too_old} ;;
    *ensurepip*) [ -e "{folder}/installed" ] || exit {has_no_venv} ;;
    *python%d*) echo python3.11-venv ;;
    *platform*) echo 3.9.2 ;;
    "-m venv "*) echo "$3" >"{folder}/venv" ;;
esac
"""

SUDO = """#!/bin/sh
echo "$*" >>"{folder}/sudo"
case "$*" in
    "-n true") exit {asks} ;;
    "tee "*) cat >/dev/null ;;
    *" install "*) echo "the words of apt"; [ {fails} = 0 ] || exit {fails}; touch "{folder}/installed" ;;
esac
"""


SYSTEMCTL = """#!/bin/sh
echo "getty@.service enabled enabled"
[ ! -e "{folder}/installed" ] || echo "mosquitto.service enabled enabled"
"""


class Machine:
    """What the scripts see of one."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._programs = folder / "bin"
        self._programs.mkdir()
        self._program("id", "#!/bin/sh\necho 1000\n")
        self._program("apt-get", "#!/bin/sh\nexit 9\n")

    def _program(self, name: str, text: str) -> None:
        path = self._programs / name
        path.write_text(text, "utf-8")
        path.chmod(0o755)

    def sudo(self, *, asks: bool, fails: int = 0) -> None:
        self._program("sudo", SUDO.format(folder=self.folder, asks=int(asks), fails=fails))

    def pythons(self, *, present: bool = True, too_old: bool = False, has_venv: bool = True) -> None:
        for name in PYTHONS:
            text = PYTHON.format(folder=self.folder, too_old=int(too_old), has_no_venv=int(not has_venv))
            # One that is not to be found cannot be made here: it says what the shell would.
            self._program(name, text if present else "#!/bin/sh\nexit 127\n")

    def systemctl(self) -> None:
        self._program("systemctl", SYSTEMCTL.format(folder=self.folder))

    def make_venv(self) -> subprocess.CompletedProcess[str]:
        return self._script("make-venv", ".venv")

    def system_packages(self) -> subprocess.CompletedProcess[str]:
        """Without /usr/sbin on its path it finds no mosquitto, whatever else is there."""
        return self._script("system-packages")

    def _script(self, *command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [ROOT / ".ci" / command[0], *command[1:]],
            env={"PATH": f"{self._programs}:/usr/bin:/bin", "TMPDIR": str(self.folder)},
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=30,
        )

    def written(self, name: str) -> list[str]:
        path = self.folder / name
        return path.read_text("utf-8").splitlines() if path.exists() else []


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


RUN = "Run: sudo apt-get update && sudo apt-get install -y --no-install-recommends"


def test_where_nothing_is_missing_nothing_is_installed(machine: Machine) -> None:
    machine.pythons()
    machine.sudo(asks=False)
    done = machine.make_venv()
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert (machine.written("venv"), machine.written("sudo")) == ([".venv"], [])


def test_where_a_password_would_be_asked_one_line_says_what_to_type(machine: Machine) -> None:
    machine.pythons(has_venv=False)
    machine.sudo(asks=True)
    done = machine.make_venv()
    assert done.returncode == 2
    assert done.stderr == f"python3 cannot make a virtual environment. {RUN} python3.11-venv\n"
    assert done.stdout == ""
    assert (machine.written("venv"), machine.written("sudo")) == ([], ["-n true"])


def test_a_python_that_is_too_old_is_told_with_its_version(machine: Machine) -> None:
    machine.pythons(too_old=True)
    machine.sudo(asks=True)
    done = machine.make_venv()
    assert done.returncode == 2
    assert done.stderr == (
        f"tank-gateway needs Python 3.11 or newer; python3 here is 3.9.2. {RUN} python3.11 python3.11-venv\n"
    )


def test_where_no_password_is_needed_it_is_installed_and_the_work_goes_on(machine: Machine) -> None:
    machine.pythons(has_venv=False)
    machine.sudo(asks=False)
    done = machine.make_venv()
    assert (done.returncode, done.stdout) == (0, "Installing Debian packages: python3.11-venv ...\n"), done.stderr
    assert machine.written("venv") == [".venv"]
    called = machine.written("sudo")
    assert "apt-get update" in called
    assert "env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends python3.11-venv" in called


def test_what_cannot_be_installed_is_told_with_the_end_of_what_apt_said(machine: Machine) -> None:
    machine.pythons(has_venv=False)
    machine.sudo(asks=False, fails=100)
    done = machine.make_venv()
    assert done.returncode == 2
    said, line = done.stderr.splitlines()
    assert said == "the words of apt"
    assert line.startswith("apt-get could not install: python3.11-venv (whole output: ")
    assert machine.written("venv") == []


def test_nothing_of_debians_starts_at_boot_because_the_tests_need_its_package(machine: Machine) -> None:
    """`make deploy-test` looks at it on a real machine."""
    machine.sudo(asks=False)
    machine.systemctl()
    done = machine.system_packages()
    assert done.returncode == 0, done.stderr
    assert [called for called in machine.written("sudo") if "systemctl" in called] == [
        "-n systemctl disable --quiet mosquitto.service"
    ]


def test_the_readme_says_what_make_fresh_installs_before() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    assert "sudo apt-get update && sudo apt-get install -y make python3 " in readme
    assert "'s/^sudo apt-get update && sudo apt-get install -y " in (ROOT / ".ci" / "fresh-machine").read_text("utf-8")
