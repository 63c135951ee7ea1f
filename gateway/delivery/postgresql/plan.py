"""What is fixed for a PostgreSQL database until the site file changes."""

from dataclasses import dataclass
from pathlib import Path

from gateway.delivery.plan import TlsPlan

__all__ = ["SCHEMA_S", "PostgresqlPlan"]

SCHEMA_S = 120.0
"""Longest that one step of the schema may take: a later one may build an index over years of rows."""
_DESCRIPTORS = 6
"""A connection, the one before it that ends, one to cancel a statement, and what names and files take for a moment."""


@dataclass(frozen=True, slots=True)
class PostgresqlPlan:
    """One database. Secrets come by file path, read at connect, never logged."""

    host: str
    port: int
    database: str
    user_name: str
    password_file: Path | None = None
    tls: TlsPlan | None = None
    schema_name: str = "tanks"
    batch: int = 500
    """Most entries in one transaction."""
    gather_s: float = 1.0
    """How long a batch that is not full waits for more."""
    timeout_s: float = 10.0
    """For each answer of the server."""
    backoff_first_s: float = 0.5
    backoff_longest_s: float = 30.0
    given_name: str | None = None
    """What the site file calls it; else it is called by where it is."""

    @property
    def name(self) -> str:
        return self.given_name or f"postgresql:{self.host}:{self.port}"

    @property
    def place(self) -> tuple[str, int, str, str]:
        return self.host, self.port, self.database, self.schema_name

    @property
    def descriptors(self) -> int:
        return _DESCRIPTORS

    @property
    def longest_turn_s(self) -> float:
        return SCHEMA_S + 20 * self.timeout_s + self.gather_s + self.backoff_longest_s
