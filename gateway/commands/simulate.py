"""`simulate`: passes on to the simulators, which are a program of their own."""

import argparse

from gateway.commands.standard_streams import unblock_stderr
from simulators.command import main as simulate

__all__ = ["add_arguments", "execute"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.usage = "tank-gateway simulate SCENARIO ..."
    parser.epilog = "What may follow: python -m simulators --help"
    parser.add_argument("arguments", metavar="SCENARIO ...", nargs=argparse.REMAINDER, help="scenario and its options")


def execute(arguments: argparse.Namespace) -> int:
    unblock_stderr()
    return simulate(arguments.arguments)
