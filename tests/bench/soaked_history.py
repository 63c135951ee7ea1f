"""History in the soak: a ledger, a broker whose reader forgets nothing, a database, a folder; struck at random.

At the end everything is counted: what is committed is at each of them, in order, nothing that was never committed, and
each record names the one before it.
"""

import random
import time
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any

from tests.crash.accounts import Arrived, Kept, Key, account, chain_of, committed, lost_at_kills
from tests.crash.yard import Broker, in_database, in_folder, mqtt, postgresql
from tests.support.cut_off import Cable, CableOfNamespace, CableOfProxy, can_have_namespaces
from tests.support.postgres import Postgres

__all__ = ["COMMIT_S", "SoakedHistory"]

COMMIT_S = 1.0
_ANY_NUMBER = 1_000_000_000
_PATIENCE_S = 300.0
_STRIKES = ("refuse", "hold", "slow", "cut off", "kill", "freeze")


class SoakedHistory:
    """Its destinations, and what is done to them. Their cables are real ones where this machine and its user can have
    network namespaces; `ledger`: what the site file says of it, beside where it is."""

    def __init__(self, folder: Path, **ledger: str) -> None:
        self._folder = folder
        self._ledger = {"every": "2 s", "commit": f"{COMMIT_S:g} s", **ledger}
        self._stack = ExitStack()
        self._files = folder / "history"
        self._struck: dict[str, str] = {}
        self.ledger = folder / "bench.ledger"
        self.strikes = 0

    def __enter__(self) -> "SoakedHistory":
        self._files.mkdir()
        self._broker = self._stack.enter_context(Broker(self._folder / "keeper"))
        self._database = self._stack.enter_context(Postgres())
        cable: Callable[[int], Cable] = CableOfNamespace if can_have_namespaces() else CableOfProxy
        self._ways = {"broker": cable(self._broker.server.port), "database": cable(self._database.port)}
        for way in self._ways.values():
            self._stack.enter_context(way)
        self._servers: dict[str, Any] = {"broker": self._broker.server, "database": self._database}
        self._arrived: dict[str, Callable[[], Iterable[Arrived]]] = {
            "broker": lambda: self._broker.reader.keys("others"),
            "database": lambda: in_database(self._database),
            "files": lambda: in_folder(self._files),
        }
        return self

    def __exit__(self, *_: object) -> None:
        self.mend()
        self._stack.close()

    def site(self) -> dict[str, Any]:
        """What the site file says of it, beside what it says of the broker that is looked at."""
        return {
            "ledger": {"file": str(self.ledger), **self._ledger},
            "delivery": {
                "mqtt": mqtt(
                    self._broker.server.port, name="keeper", prefix="others", address=self._ways["broker"].address
                ),
                "files": {"folder": str(self._files), "each": "15 min"},
                "postgresql": postgresql(self._database, self._folder, address=self._ways["database"].address),
            },
        }

    def strike(self, chance: random.Random) -> str:
        """Something happens to one of them, or ends."""
        name = chance.choice(list(self._servers))
        if name in self._struck:
            self._mend(name)
            return f"{name} is well"
        how = chance.choice(_STRIKES)
        self.strikes += 1
        self._struck[name] = how
        way, server = self._ways[name], self._servers[name]
        strikes: dict[str, Callable[[], None]] = {
            "refuse": way.refuse,
            "hold": way.hold,
            "slow": lambda: way.slow(0.3),
            "cut off": way.cut_off,
            "kill": server.kill,
            "freeze": server.freeze,
        }
        strikes[how]()
        return f"{name}: {how}"

    def mend(self) -> None:
        for name in list(self._struck):
            self._mend(name)

    def _mend(self, name: str) -> None:
        how = self._struck.pop(name)
        if how == "kill":
            self._servers[name].start()
            if name == "broker":
                self._until(self._is_read, "the reader has come again")
        elif how == "freeze":
            self._servers[name].thaw()
        else:
            self._ways[name].mend()

    def _is_read(self) -> bool:
        """It has what came before it could be killed again."""
        size = self._broker.reader.size()
        time.sleep(1.0)
        return self._broker.reader.size() > size

    # The count

    def rows(self) -> list[Kept]:
        return committed(self.ledger)

    def drained(self, rows: list[Kept]) -> None:
        """Waits until all of this is everywhere."""
        wanted = {each.key for each in rows}
        for name, arrived in self._arrived.items():
            self._until(partial(_has, arrived, wanted), f"{name} has everything")

    def arrived(self) -> dict[str, Iterable[Arrived]]:
        """What is at each, in the order in which it came."""
        return {name: found() for name, found in self._arrived.items()}

    def wrong(self, rows: list[Kept]) -> list[str]:
        found = []
        for name, arrived in self.arrived().items():
            got = list(arrived)
            there = {each.key for each in got}
            told = account([each for each in rows if each.key in there], got, breaks=_ANY_NUMBER)
            if name != "broker":
                # A table has no order of its own: what a broken transaction leaves free is written to again.
                told = [each for each in told if "after one behind it" not in each]
                told += [f"{len(got) - len(there)} twice"] if len(got) > len(there) else []
            found += [f"{name}: {each}" for each in told]
        return found + chain_of(rows)

    def longest_loss_s(self, rows: list[Kept]) -> float:
        """What a kill has cost at most, as the reader saw it."""
        return max(lost_at_kills(rows, self._broker.reader.last_seen("others")), default=0.0)

    def _until(self, what: Callable[[], bool], so_that: str) -> None:
        until = time.monotonic() + _PATIENCE_S
        while not what():
            if time.monotonic() > until:
                raise RuntimeError(f"not within {_PATIENCE_S:g} s: {so_that}")
            time.sleep(1.0)


def _has(arrived: Callable[[], Iterable[Arrived]], wanted: set[Key]) -> bool:
    return wanted <= {each.key for each in arrived()}
