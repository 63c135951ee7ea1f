"""`ledger`: looks at what a gateway has kept, takes it out, checks it, copies it, makes room in it."""

import argparse
from collections.abc import Callable

from gateway.commands.service import (
    ledger_alarms,
    ledger_audit,
    ledger_backup,
    ledger_check,
    ledger_export,
    ledger_prune,
    ledger_verify,
)

__all__ = ["add_arguments", "execute"]

_ACTIONS: dict[str, tuple[Callable[[argparse.ArgumentParser], None], Callable[[argparse.Namespace], int], str]] = {
    "check": (ledger_check.add_arguments, ledger_check.execute, "what is in it, and what each destination lacks"),
    "export": (ledger_export.add_arguments, ledger_export.execute, "write history or events out as CSV or JSON lines"),
    "verify": (
        ledger_verify.add_arguments,
        ledger_verify.execute,
        "look through all of it, page by page",
    ),
    "alarms": (ledger_alarms.add_arguments, ledger_alarms.execute, "how much the alarms ask of people, in figures"),
    "audit": (ledger_audit.add_arguments, ledger_audit.execute, "what people did: who, when, what and why"),
    "backup": (ledger_backup.add_arguments, ledger_backup.execute, "copy it to a new file while the gateway runs"),
    "prune": (ledger_prune.add_arguments, ledger_prune.execute, "take old history out, with the gateway stopped"),
}

_EPILOG = """All but prune only read, while the gateway writes and where nothing may be written.
Examples: tank-gateway ledger check site.yaml
          tank-gateway ledger export site.yaml --from 2026-03-01 --until 2026-03-02 --tank TK-101 --out march-1.csv
          tank-gateway ledger export harbour.ledger --format jsonl
          tank-gateway ledger verify site.yaml --calculate
          tank-gateway ledger alarms site.yaml --from 2026-03-01
          tank-gateway ledger audit site.yaml --from 2026-03-01
          tank-gateway ledger backup site.yaml --out harbour-2026-03-01.ledger
Each action has its own help: tank-gateway ledger export --help
Exit codes: 0 well; 1 something was found that must be acted on; 2 typed wrongly, or no ledger of this version."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="actions", required=True)
    for name, (add, execute_action, summary) in _ACTIONS.items():
        action = actions.add_parser(name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.")
        add(action)
        action.formatter_class = argparse.RawDescriptionHelpFormatter
        action.set_defaults(execute_action=execute_action)


def execute(arguments: argparse.Namespace) -> int:
    return int(arguments.execute_action(arguments))
