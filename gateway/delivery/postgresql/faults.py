"""What can be wrong with a database, in words, and who can help."""

import ssl

from gateway.delivery.faults import DeliveryFault, FaultKind

__all__ = ["MISSING_PART", "FaultKind", "PostgresqlFault", "told"]

MISSING_PART = "asyncpg is not installed, so that nothing goes to PostgreSQL; pip install 'tank-gateway[postgresql]'"


class PostgresqlFault(DeliveryFault):
    """The server did not do what it was asked."""


_OF_ENTRIES = ("22", "23", "54", "P0001")
"""SQLSTATE, PostgreSQL's manual, appendix A: data exception, integrity constraint, program limit (a row too long), and
what a trigger of the database's owner raises."""
_PASSING = ("08", "40", "57", "55P03", "53300")
"""Connection, rollback by the server, its operator's intervention, a lock, too many connections."""
_HINTS = {
    "28": "; is the user's password, and pg_hba.conf, right?",
    "3D000": "; CREATE DATABASE makes one",
    "42501": "; the user must own the schema (CREATE on the database makes it) and have TEMPORARY on the database",
    "25006": "; is this a standby?",
    "53100": "; its disk is full",
}


def told(exc: BaseException, too_late: str, *, connecting: bool = False) -> PostgresqlFault:
    """The fault that an exception means. `too_late` is the sentence for a deadline that has passed."""
    state = getattr(exc, "sqlstate", None)
    if state is not None:
        return _told_by_server(exc, str(state), connecting)
    if isinstance(exc, TimeoutError):
        return PostgresqlFault(FaultKind.PASSING, too_late)
    if isinstance(exc, ssl.SSLCertVerificationError):
        return PostgresqlFault(FaultKind.PERSON, f"server certificate not accepted: {exc.verify_message}")
    if isinstance(exc, ssl.SSLError):
        return PostgresqlFault(FaultKind.PASSING, f"TLS failed: {exc.reason or exc}")
    if isinstance(exc, ConnectionError) and "rejected SSL" in str(exc):
        return PostgresqlFault(
            FaultKind.PERSON, "server speaks no TLS here, which `tls` asks for; set `ssl = on` there"
        )
    if isinstance(exc, OSError) and exc.strerror:
        return PostgresqlFault(FaultKind.PASSING, exc.strerror)
    return PostgresqlFault(FaultKind.PASSING, _first_line(exc) or type(exc).__name__)


def _told_by_server(exc: BaseException, state: str, connecting: bool) -> PostgresqlFault:
    text = f"server says: {_first_line(exc)} ({state})"
    if state == "23514" and getattr(exc, "constraint_name", None) is None:
        # A month was taken away: at the next connect it is made again.
        return PostgresqlFault(FaultKind.PASSING, text)
    if state.startswith(_OF_ENTRIES) and not connecting:
        return PostgresqlFault(FaultKind.ENTRY, text)
    if state.startswith(_PASSING):
        return PostgresqlFault(FaultKind.PASSING, text)
    hint = next((words for prefix, words in _HINTS.items() if state.startswith(prefix)), "")
    return PostgresqlFault(FaultKind.PERSON, text + hint)


def _first_line(exc: BaseException) -> str:
    return next(iter(str(exc).splitlines()), "")
