"""Pure: what a row of the audit trail says of the papers of the accounts: which one, how it stands, how much it is."""

from collections.abc import Mapping
from typing import Any

from gateway.account.amount import AMOUNT_SCHEMA
from gateway.account.day import DAY_SCHEMA
from gateway.account.ticket import TICKET_SCHEMA
from gateway.account.transfer import TRANSFER_SCHEMA

__all__ = ["is_paper", "paper_words"]

_SCHEMAS = (TRANSFER_SCHEMA, TICKET_SCHEMA, AMOUNT_SCHEMA, DAY_SCHEMA)


def is_paper(state: Mapping[str, Any]) -> bool:
    """Whether it is told of a paper of the accounts."""
    return state.get("schema") in _SCHEMAS


def paper_words(state: Mapping[str, Any]) -> str:
    """`transfer 3 running`, `ticket 4 in place of ticket 1`, `amount 2 1012.1 m3 GSV`, `day 2026-11-28 1`."""
    words = [str(state.get("key", ""))]
    if "phase" in state:
        words.append(str(state["phase"]))
    if state.get("reverses") is not None:
        kind = str(state.get("key", "")).partition(" ")[0]
        words.append(f"takes {kind} {state['reverses']} back")
    if state.get("replaces") is not None:
        words.append(f"in place of ticket {state['replaces']}")
    if isinstance(state.get("value"), int | float):
        measure = str(state.get("measure", ""))
        unit = "kg" if "mass" in measure or "weight" in measure else "m3"
        shown = measure.upper() if len(measure) == len("gsv") else measure.replace("_", " ")
        words.append(f"{state['value']!r} {unit} {shown}".rstrip())
    return " ".join(words)
