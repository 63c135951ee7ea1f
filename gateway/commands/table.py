"""`table`: makes, checks, converts and previews capacity tables, before anyone relies on one."""

import argparse
from collections.abc import Callable

from gateway.commands import table_check, table_convert, table_make, table_preview

__all__ = ["add_arguments", "execute"]

_ACTIONS: dict[str, tuple[Callable[[argparse.ArgumentParser], None], Callable[[argparse.Namespace], int], str]] = {
    "make": (table_make.add_arguments, table_make.execute, "calculate a table from a tank's dimensions"),
    "check": (table_check.add_arguments, table_check.execute, "find what is wrong or odd in a table, and plot it"),
    "convert": (table_convert.add_arguments, table_convert.execute, "write a table in other units"),
    "preview": (table_preview.add_arguments, table_preview.execute, "show what a new table would change"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="actions", required=True)
    for name, (add, execute_action, summary) in _ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
        add(action)
        action.set_defaults(execute_action=execute_action)


def execute(arguments: argparse.Namespace) -> int:
    return int(arguments.execute_action(arguments))
