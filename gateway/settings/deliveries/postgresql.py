"""PostgreSQL databases: from the site file to their frozen plans."""

import re

from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.settings.deliveries.models import PostgresqlModel
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.reading.document import KeyPath, Mistakes

__all__ = ["postgresql_plan"]

_LARGEST_BATCH = 5000
_LONGEST_GATHER_S = 60.0
_SCHEMA = re.compile(r"(?!pg_)[a-z_][a-z0-9_]{0,62}", re.ASCII)
"""What needs no quotation marks, as far as it is not a word of SQL; those that begin with pg_ are the server's own."""


def postgresql_plan(model: PostgresqlModel, path: KeyPath, reading: Reading) -> PostgresqlPlan:
    """One database."""
    _check(model, path, reading.mistakes)
    host, port = model.address
    return PostgresqlPlan(
        host=host,
        port=port,
        database=model.database,
        user_name=model.user_name,
        password_file=reading.file(model.password_file, (*path, "password_file")),
        tls=reading.tls(model.tls, host, path),
        schema_name=model.schema_name,
        batch=model.batch,
        gather_s=model.gather,
        timeout_s=model.timeout,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def _check(model: PostgresqlModel, path: KeyPath, mistakes: Mistakes) -> None:
    if not _SCHEMA.fullmatch(model.schema_name):
        text = (
            f"'{model.schema_name}' is no name of a schema that needs no quotation marks; write small letters, digits "
            "and _, up to 63 and not pg_ in front, for example tanks"
        )
        mistakes.add((*path, "schema_name"), text)
    if not 1 <= model.batch <= _LARGEST_BATCH:
        mistakes.add((*path, "batch"), f"{model.batch} rows in one transaction; give 1 to {_LARGEST_BATCH}")
    if model.gather > _LONGEST_GATHER_S:
        text = f"{model.gather:g} s is too long to wait for more; give up to {_LONGEST_GATHER_S:g} s"
        mistakes.add((*path, "gather"), text)
    for key, text in (("database", model.database), ("user_name", model.user_name)):
        if not text.isprintable():
            mistakes.add((*path, key), "has an unprintable character; write the name as the database has it")
