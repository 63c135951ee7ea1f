"""`make fuzz`, second half: the trials under atheris, which follows the paths that the bytes take through the program.

`python -m tests.fuzz [--minutes 5]`. atheris is no dependency: where it is not installed that is said, and nothing else
is done. What leads to new paths stays in tests/fuzz/build from run to run, and so does an input that fails;
`python -m tests.fuzz --again FILE` tries that alone.
"""

import argparse
import importlib
import importlib.util
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

__all__ = ["main"]

BUILD = Path(__file__).resolve().parent / "build"
LONGEST_INPUT = 400
HANG_S = 30
"""Real seconds after which an input counts as a hang; a trial takes milliseconds."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--again", type=Path, help="an input that failed")
    arguments = parser.parse_args()
    if arguments.again is not None:
        _one_of(_trials(), arguments.again.read_bytes())
        sys.stdout.write("well\n")
        return 0
    if importlib.util.find_spec("atheris") is None:
        sys.stdout.write("atheris is not installed: without it only the examples of hypothesis are tried\n")
        return 0
    _fuzz(arguments.minutes)
    return 0


def _fuzz(minutes: float) -> None:
    """Ends the process: with 0 when nothing was found, else with the input and what it did."""
    atheris: Any = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["gateway"]):
        trials = _trials()
    corpus = BUILD / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    options = [
        str(corpus),
        f"-max_total_time={round(minutes * 60)}",
        f"-max_len={LONGEST_INPUT}",
        f"-timeout={HANG_S}",
        f"-artifact_prefix={BUILD}/",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *options], partial(_one_of, trials))
    atheris.Fuzz()


def _trials() -> list[Callable[[bytes], None]]:
    # Not before atheris has had the chance to watch the modules.
    from tests.fuzz.trials import try_frame_reader, try_line, try_link

    trials: list[Callable[[bytes], None]] = [partial(try_frame_reader, name) for name in ("rtu", "ascii")]
    for name in ("mbap", "rtu", "ascii"):
        trials += [partial(try_link, name), partial(try_line, name)]
    return trials


def _one_of(trials: list[Any], data: bytes) -> None:
    """The first byte says which."""
    if data:
        trials[data[0] % len(trials)](data[1:])


if __name__ == "__main__":
    sys.exit(main())
