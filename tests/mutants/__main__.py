"""`make mutants`: breaks a copy of the program, one way at a time, and runs the tests that must notice.

A break that no test notices is a failure of the tests: exit code 1.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.mutants.breaks import BREAKS, Break

__all__ = ["main"]

ROOT = Path(__file__).resolve().parent.parent.parent
COPIED = ("gateway", "simulators", "config", "tests", "deploy", "pyproject.toml", "README.md", "LICENSE")
# Pytest: tests failed; and, as the run ends with the first failure, interrupted.
RED = (1, 2)


def main() -> int:
    unnoticed = []
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__", "build", "results"))
            else:
                shutil.copy(source, copy / name)
        done = _run(copy, *sorted({name for each in BREAKS for name in each.tests}))
        if done.returncode != 0:
            print(f"the tests fail before anything is broken:\n{done.stdout[-3000:]}{done.stderr[-1000:]}")
            return 1
        for each in BREAKS:
            noticed, line = _try(each, copy)
            print(f"{'noticed  ' if noticed else 'UNNOTICED'}  {each.name}: {line}", flush=True)
            if not noticed:
                unnoticed.append(each.name)
    print(f"{len(BREAKS) - len(unnoticed)} of {len(BREAKS)} breaks noticed")
    return 1 if unnoticed else 0


def _try(each: Break, copy: Path) -> tuple[bool, str]:
    """Whether a test turned red, and the line that says which (or how the run ended)."""
    path = copy / each.file
    sound = path.read_text("utf-8")
    if sound.count(each.old) != 1:
        return False, f"{each.file} has what is to be broken {sound.count(each.old)} times, not once"
    path.write_text(sound.replace(each.old, each.new), "utf-8")
    try:
        done = _run(copy, *each.tests)
    finally:
        path.write_text(sound, "utf-8")
    red = [line for line in done.stdout.splitlines() if line.startswith("FAILED")]
    if done.returncode in RED and red:
        return True, red[0].removeprefix("FAILED ").split(" - ")[0]
    last = (done.stdout + done.stderr).strip().splitlines()[-1:]
    return False, f"exit code {done.returncode}: {' '.join(last)}"


def _run(copy: Path, *tests: str) -> "subprocess.CompletedProcess[str]":
    """Python looks for modules in the copy first, also in the processes that the tests start."""
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-n", "2", *tests],
        cwd=copy,
        env={**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=900,
    )


if __name__ == "__main__":
    sys.exit(main())
