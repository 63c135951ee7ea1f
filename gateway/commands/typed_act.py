"""What somebody types to have something done by the running gateway: `tank-gateway COMMAND ACT ...`."""

import argparse
from collections.abc import Callable, Mapping
from typing import NamedTuple

__all__ = ["Request", "TypedAct", "add_acts", "request_of"]

Request = dict[str, str | None]


class TypedAct(NamedTuple):
    """One act."""

    action: str
    """As the gateway is asked for it."""
    summary: str
    effect: str
    """What it does, and what it does not."""
    example: str
    add: Callable[[argparse.ArgumentParser], None]
    read: Callable[[argparse.Namespace], Request]
    moves: bool = False
    """Whether somebody opens a valve for it."""
    needs_why: bool = False


def request_of(act: TypedAct, arguments: argparse.Namespace) -> dict[str, str]:
    """What the gateway is asked for."""
    told = {"action": act.action, **act.read(arguments), "why": arguments.why}
    return {key: value for key, value in told.items() if value is not None}


def add_acts(
    parser: argparse.ArgumentParser, command: str, acts: Mapping[str, TypedAct], *, why: str, caution: str = ""
) -> None:
    """The acts of a command, by the words that are typed. `why`: what the reason is for; `caution`: of acts that move
    something."""
    prog = f"tank-gateway {command}"
    added = parser.add_subparsers(prog=prog, dest="act", metavar="ACT", title="acts", required=False)
    for word, act in acts.items():
        one = added.add_parser(
            word,
            help=act.summary,
            description=f"{act.summary[0].upper()}{act.summary[1:]}.\n{act.effect}",
            epilog=f"Example: {prog} {act.example}" + (f"\nCaution: {caution}" if act.moves else ""),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        act.add(one)
        one.add_argument("--why", metavar="TEXT", required=act.needs_why, help=f"the reason, for {why} and the audit")
        one.add_argument("--site", metavar="NAME", help="name of its site, where several run on this machine")
        one.add_argument("--process", metavar="NUMBER", type=int, help="number of its process, instead")
        one.add_argument("--json", action="store_true", help="print the answer for a program")
