"""Breaks of what goes to a database: its rows, what is there once, what is told to have arrived, its views."""

from tests.mutants.a_break import Break

__all__ = ["POSTGRESQL_BREAKS"]

ROWS = "gateway/delivery/postgresql/rows.py"
DELIVERY = "gateway/delivery/postgresql/delivery.py"
TRANSFER = "gateway/delivery/postgresql/transfer.py"
SCHEMA = "gateway/delivery/postgresql/schema.py"
OF_ROWS = ("tests/delivery/test_postgresql_rows.py",)
OF_DELIVERY = ("tests/delivery/test_postgresql.py",)
OF_SCHEMA = ("tests/delivery/test_postgresql_schema.py",)

POSTGRESQL_BREAKS: tuple[Break, ...] = (
    Break(
        "Bad number in a row",
        ROWS,
        "        if quality == 2:\n            value = None\n        # ",
        "        if quality == 3:\n            value = None\n        # ",
        OF_ROWS,
    ),
    Break(
        "uncertain figure in a row as Good",
        ROWS,
        "cells += value, _WORDS[quality]",
        "cells += value, _WORDS[quality if quality == 2 else 0]",
        OF_ROWS,
    ),
    Break("manual mark left out of a row", ROWS, "            manual.append(name)\n", "            pass\n", OF_ROWS),
    Break(
        "told to have arrived before it is committed",
        DELIVERY,
        "                refused = await transfer.write(entries)\n",
        "                outbox.delivered(entries[-1].position)\n"
        "                refused = await transfer.write(entries)\n",
        OF_DELIVERY,
    ),
    Break(
        "what was under way when a connection ended is forgotten",
        DELIVERY,
        "            outbox.rewind()\n",
        "            pass\n",
        OF_DELIVERY,
    ),
    Break("a row that is sent again is an error", TRANSFER, '            " ON CONFLICT DO NOTHING"\n', "", OF_DELIVERY),
    Break(
        "all rows given up where the database refuses all of them",
        TRANSFER,
        "if by_server and len(by_server) == len(packed):",
        "if by_server and len(by_server) > len(packed):",
        OF_DELIVERY,
    ),
    Break(
        "tables of a later version used",
        SCHEMA,
        "    if taken > last:\n",
        "    if taken > last + 1:\n",
        OF_SCHEMA,
    ),
    Break(
        "no lock between gateways that begin at once",
        SCHEMA,
        '"SELECT pg_advisory_xact_lock($1, hashtext($2))"',
        '"SELECT pg_advisory_xact_lock_shared($1, hashtext($2))"',
        OF_SCHEMA,
    ),
)
