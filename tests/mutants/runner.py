"""Breaks a copy of the program and runs the tests that must notice. The tree it was copied from is never touched."""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from tests.mutants.a_break import Break

__all__ = ["ROOT", "Outcome", "copy_program", "run_sound", "try_break"]

ROOT = Path(__file__).resolve().parent.parent.parent
COPIED = ("gateway", "simulators", "config", "tests", "deploy", "pyproject.toml", "README.md", "LICENSE")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "build", "results")
LONGEST_S = 300.0
TESTS_FAILED = 1


class Outcome(NamedTuple):
    noticed: bool
    line: str
    """The test that turned red, or how the run ended instead."""


def copy_program(folder: Path) -> None:
    """What the tests need, and nothing that a build or a bench has left."""
    for name in COPIED:
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, folder / name, ignore=LEFT_OUT)
        else:
            shutil.copy(ROOT / name, folder / name)


def run_sound(tests: Sequence[str], folder: Path) -> str | None:
    """Run tests on the sound copy: only if they are green does red mean that a break was noticed. None, or what ended
    it otherwise.
    """
    done = _pytest(tests, folder)
    return None if done.returncode == 0 else _last_line(done)


def try_break(each: Break, folder: Path) -> Outcome:
    """Break the copy in `folder`, run the break's tests, and make the copy sound again."""
    path = folder / each.file
    sound = path.read_text("utf-8")
    if sound.count(each.old) != 1:
        return Outcome(False, f"{each.file} has what is to be broken {sound.count(each.old)} times, not once")
    path.write_text(sound.replace(each.old, each.new), "utf-8")
    try:
        done = _pytest(["-x", *each.tests], folder)
    except subprocess.TimeoutExpired:
        return Outcome(False, f"no end within {LONGEST_S:.0f} s")
    finally:
        path.write_text(sound, "utf-8")
    red = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
    if done.returncode == TESTS_FAILED and red:
        return Outcome(True, red[0].removeprefix("FAILED ").split(" - ")[0])
    return Outcome(False, f"exit code {done.returncode}: {_last_line(done)}")


def _pytest(arguments: Sequence[str], folder: Path) -> "subprocess.CompletedProcess[str]":
    # Python looks for modules in the copy first, also in the processes that the tests start.
    plugins = ["-p", "no:cacheprovider", "-p", "tests.mutants.first_red"]
    environment = {
        "PYTHONPATH": str(folder),
        "PYTHONDONTWRITEBYTECODE": "1",
        "COMPILE_ANEW": "1",
        "HYPOTHESIS_PROFILE": "first_red",
    }
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--tb=no", "--show-capture=no", *plugins, *arguments],
        cwd=folder,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
    )


def _last_line(done: "subprocess.CompletedProcess[str]") -> str:
    return " ".join((done.stdout + done.stderr).strip().splitlines()[-1:])
