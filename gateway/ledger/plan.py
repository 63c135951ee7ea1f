"""What is fixed for the ledger until the site file changes."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["LedgerPlan"]


@dataclass(frozen=True, slots=True)
class LedgerPlan:
    """One file of one site."""

    file: Path | None = None
    """None: in the state directory, called like the site."""
    every_s: float = 10.0
    """A record of each tank at least so often, 1 s to 1 h; at once when quality, used elements, limit state or an alarm
    changes."""
    commit_s: float = 1.0
    """Longest that something taken in waits for its commit: what a power cut can cost."""
    keep_s: float = 72 * 3600.0
    """Entries are kept at least so long, as far as there is room, and until each destination has them."""
    largest_bytes: int = 4_000_000_000
    """Of the file. At that the oldest go, also those that a destination still needs, and that is said loudly."""
