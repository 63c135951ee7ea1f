"""`ledger prune`: old history taken out of a ledger by hand, with the gateway stopped."""

import argparse
import time
from pathlib import Path

from gateway.commands.output import write, write_json
from gateway.commands.service.ledger_file import add_file, file_of, looked_at, time_of, time_text
from gateway.display import printable
from gateway.errors import GatewayError, UsageError
from gateway.ledger.cursors import cursors
from gateway.ledger.pruning import Pruned, forgotten, held, pruned
from gateway.ledger.reading_file import site_of
from gateway.process.running import found_gateways

__all__ = ["add_arguments", "execute"]

_EPILOG = """A running gateway prunes by itself, by `keep` and `largest` of its site file: this is for a file that has
grown too large for its disk. Papers, plans, the audit trail and trends stay. Copy the file first: `ledger backup`.
Examples: tank-gateway ledger prune site.yaml --before 2026-03-01
          tank-gateway ledger prune site.yaml --before 2026-03-01 --yes --shrink
          tank-gateway ledger prune site.yaml --forget old-broker --yes"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--before", metavar="TIME", help="take out what is older, as far as all destinations have it")
    parser.add_argument("--also-needed", action="store_true", help="also what a destination has not got: it is lost")
    parser.add_argument("--forget", metavar="NAME", help="keep nothing for this destination any more")
    parser.add_argument("--shrink", action="store_true", help="give the room back to the disk; takes as much first")
    parser.add_argument("--yes", action="store_true", help="do it; else it is only told what would be done")
    parser.add_argument("--json", action="store_true", help="print what was done for a program")


def execute(arguments: argparse.Namespace) -> int:
    before_ns = time_of("--before", arguments.before)
    if before_ns is None and arguments.forget is None:
        raise UsageError("prune what?", "give --before TIME, --forget NAME or both")
    if arguments.also_needed and before_ns is None:
        raise UsageError("--also-needed was given without --before", "give both")
    path = file_of(arguments.file)
    _refuse_a_running_gateway(path, arguments.forget)
    before_bytes = path.stat().st_size
    found = Pruned(0, {}, {})
    with held(path) as connection:
        connection.execute("BEGIN IMMEDIATE")
        if arguments.forget is not None:
            forgotten(connection, arguments.forget)
        if before_ns is not None:
            found = pruned(connection, before_ns, time.time_ns(), also_needed=arguments.also_needed)
        connection.execute("COMMIT" if arguments.yes else "ROLLBACK")
        if arguments.yes and arguments.shrink:
            connection.execute("VACUUM")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    after_bytes = path.stat().st_size
    if arguments.json:
        document = {
            "done": arguments.yes,
            "deleted": found.deleted,
            "lost": dict(found.lost),
            "kept_for": sorted(found.kept_for),
            "forgotten": arguments.forget,
            "size_bytes_before": before_bytes,
            "size_bytes": after_bytes,
        }
        write_json(document)
    else:
        write(*(printable(line) for line in _lines(arguments, before_ns, found, before_bytes, after_bytes)))
    return 0


def _refuse_a_running_gateway(path: Path, forget: str | None) -> None:
    with looked_at(path) as connection:
        site = site_of(connection)
        known = [each.destination for each in cursors(connection)]
    if forget is not None and forget not in known:
        raise UsageError(f"{path} knows no destination '{forget}'", f"it knows: {', '.join(known) or 'none'}")
    for each in found_gateways():
        if each.running.site == site:
            error = GatewayError(f"the gateway of site {site} runs (process {each.running.pid})")
            error.hint = "stop it first; while it runs it prunes by itself, by `keep` and `largest` of its site file"
            raise error


def _lines(
    arguments: argparse.Namespace, before_ns: int | None, found: Pruned, before_bytes: int, after_bytes: int
) -> list[str]:
    lines = []
    would = "" if arguments.yes else "would be "
    if arguments.forget is not None:
        lines.append(f"{would}forgotten: destination {arguments.forget}")
    if before_ns is not None:
        lines.append(f"{would}taken out: {found.deleted:,} entries from before {time_text(before_ns)}")
    lines += [f"{would}lost to {name}: {count:,} entries" for name, count in sorted(found.lost.items())]
    if found.kept_for:
        lines.append(f"older entries stay for {', '.join(sorted(found.kept_for))}, which has not got them yet")
    if not arguments.yes:
        return [*lines, "nothing was changed; add --yes to do it"]
    if arguments.shrink:
        lines.append(f"{before_bytes / 1e6:.1f} MB before, {after_bytes / 1e6:.1f} MB now")
    return lines
