"""`make mutants`: breaks a copy of the program, one way at a time, and runs the tests that must notice.

A break that no test notices is a failure of the tests: exit code 1. `python -m tests.mutants WORD ...` tries only the
breaks whose name contains one of the words.
"""

import sys
import tempfile
from pathlib import Path

from tests.mutants.breaks import BREAKS
from tests.mutants.runner import copy_program, run_sound, try_break

__all__ = ["main"]


def main(words: list[str]) -> int:
    chosen = [each for each in BREAKS if not words or any(word in each.name for word in words)]
    unnoticed = []
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        copy_program(copy)
        tests = sorted({test for each in chosen for test in each.tests})
        if chosen and (trouble := run_sound(tests, copy)) is not None:
            print(f"the tests are not green before anything is broken: {trouble}", file=sys.stderr)
            return 1
        for each in chosen:
            noticed, line = try_break(each, copy)
            print(f"{'noticed  ' if noticed else 'UNNOTICED'}  {each.name}: {line}", flush=True)
            if not noticed:
                unnoticed.append(each.name)
    print(f"{len(chosen) - len(unnoticed)} of {len(chosen)} breaks noticed")
    return 1 if unnoticed or not chosen else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
