"""`table`: makes, checks, converts and previews capacity tables, before anyone relies on one."""

import argparse
from collections.abc import Callable

from gateway.commands.surveyor import table_check, table_convert, table_make, table_preview

__all__ = ["add_arguments", "execute"]

_ACTIONS: dict[str, tuple[Callable[[argparse.ArgumentParser], None], Callable[[argparse.Namespace], int], str]] = {
    "make": (table_make.add_arguments, table_make.execute, "calculate a table from a tank's dimensions"),
    "check": (table_check.add_arguments, table_check.execute, "find what is wrong or odd in a table, and plot it"),
    "convert": (table_convert.add_arguments, table_convert.execute, "write a table in other units"),
    "preview": (table_preview.add_arguments, table_preview.execute, "show what a new table would change"),
}


_EXAMPLES = {
    "check": """A table is judged by itself, and more sharply with the dimensions. Exit code 2: it is refused; 0: it can
be taken, be it that something looks like a slip and is told.
Examples: tank-gateway table check tk-1.csv
          tank-gateway table check tk-1.csv --kind upright_cylinder --diameter "18 m" --height "14.6 m"
          tank-gateway table check tk-1.csv --site site.yaml --tank TK-1 --plot tk-1.svg""",
    "convert": """Examples: tank-gateway table convert tk-1.csv --length ft-in --volume bbl --out tk-1-us.csv
          tank-gateway table convert tk-1.csv --step "5 mm" --out tk-1-fine.csv""",
    "preview": """Examples: tank-gateway table preview old.csv new.csv
          tank-gateway table preview new.csv --site site.yaml --tank TK-1""",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="actions", required=True)
    for name, (add, execute_action, summary) in _ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
        add(action)
        action.epilog = action.epilog or _EXAMPLES.get(name)
        action.formatter_class = argparse.RawDescriptionHelpFormatter
        action.set_defaults(execute_action=execute_action)


def execute(arguments: argparse.Namespace) -> int:
    return int(arguments.execute_action(arguments))
