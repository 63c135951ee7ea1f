"""`simulate`: passes on to the simulators, which are a program of their own."""

import argparse

from gateway.process.standard_streams import unblock_stderr
from simulators.command import main as simulate
from simulators.command import options_help

__all__ = ["add_arguments", "execute"]


_EXAMPLES = """All that it serves is SIMULATED, and can only be read. Ctrl-C ends it.
Examples: tank-gateway simulate paint_works
          tank-gateway simulate paint_works --print > mine.yaml
          tank-gateway simulate mine.yaml --check"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.usage = "tank-gateway simulate SCENARIO [OPTIONS]"
    parser.epilog = f"{options_help()}\n{_EXAMPLES}"
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "arguments",
        metavar="SCENARIO ...",
        nargs=argparse.REMAINDER,
        help="a scenario file, or the name of one that comes with the program; then options",
    )


def execute(arguments: argparse.Namespace) -> int:
    unblock_stderr()
    return simulate(arguments.arguments)
