"""`simulate`: passes on to the simulators, which are a program of their own."""

import argparse
from functools import partial

from gateway.commands.standard_streams import unblock_stderr
from simulators.command import help_text
from simulators.command import main as simulate

__all__ = ["add_arguments", "execute"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("arguments", metavar="SCENARIO ...", nargs=argparse.REMAINDER)
    parser.format_help = partial(help_text, "tank-gateway simulate")  # type: ignore[method-assign]


def execute(arguments: argparse.Namespace) -> int:
    unblock_stderr()
    return simulate(arguments.arguments)
