"""A part of `make soak`: a simulated day with faults, in one process whose site's time passes many times as fast.

Each simulated hour instruments, destinations of history, the broker of live records and HTTP are struck at random, and
then all of it is mended. At the end nothing waits any more; memory, tasks, descriptors and threads are what they were;
the ledger has reached its size limit, which has cost no destination anything; and every record names one that is there.
"""

import argparse
import json
import random
import re
import secrets
import signal
import sqlite3
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from statistics import median

from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.bench.http_abuse import ABUSES
from tests.bench.processes import Talking, listener_at, say, simulators, until_good
from tests.bench.soak import FAULTS, MAY_GROW
from tests.bench.soaked_gateway import Counts, SoakedGateway
from tests.bench.soaked_history import SoakedHistory
from tests.crash.accounts import Arrived, Kept, Key
from tests.support.mosquitto import Mosquitto, free_port

__all__ = ["main"]

TANKS = 20
PERIOD_S = 60.0
"""Of the site's time, as all times in its file but those that wait for a peer."""
FACTOR = 60.0
LARGEST_BYTES = 20_000_000
"""The smallest that a site file takes: the records of half a day."""
FILLED = 0.85
TURN_S = (2.0, 6.0)
STRUCK_PART = 0.6
"""Of each hour; the rest is for what has gathered to go."""
PATIENCE_S = 180.0
FLAT_MB = 15.0
"""From the middle third of the day to the last. In the first third the longest backlog so far may still make it grow:
what is under way to one that is struck are some thousand records of 20 kB."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.soaked_day", description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0, help="simulated ones")
    parser.add_argument("--factor", type=float, default=FACTOR, help="less on a machine that is busy with other work")
    parser.add_argument("--seed", type=int, default=None, help="default: another one each time")
    arguments = parser.parse_args()
    seed = secrets.randbelow(1_000_000) if arguments.seed is None else arguments.seed
    print(f"seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as name, SoakedDay(Path(name), random.Random(seed), arguments.factor) as day:
        day.run(arguments.hours)
    print(json.dumps(day.figures, indent=1))
    print("well" if not day.wrong else "NOT well:\n" + "\n".join(day.wrong))
    return 1 if day.wrong else 0


class SoakedDay:
    """Everything that runs, what was done to it and what came of it."""

    def __init__(self, folder: Path, chance: random.Random, factor: float = FACTOR) -> None:
        self.wrong: list[str] = []
        self.figures: dict[str, object] = {}
        self._folder = folder
        self._chance = chance
        self._stack = ExitStack()
        self._web_port = free_port()
        self._broker = Mosquitto(folder, verbose=False)
        self._history = SoakedHistory(folder, every=f"{PERIOD_S:g} s", largest=f"{LARGEST_BYTES / 1e6:g} MB")
        self._gateway = SoakedGateway(folder / "site.yaml", folder, "--time-factor", f"{factor:g}")
        self._factor = factor
        self._instruments = [f"X-{number + 1:04d}" for number in range(TANKS)]
        self._counts: list[Counts] = []
        """After each hour."""

    def __enter__(self) -> "SoakedDay":
        self._stack.enter_context(self._broker)
        self._stack.enter_context(self._history)
        self._server, addresses = self._stack.enter_context(simulators(TANKS, TANKS // 2))
        self._listener: Talking = self._stack.enter_context(listener_at(self._broker.port))
        text = site_text(
            describe(fleet(TANKS, instruments_per_line=TANKS // 2)),
            addresses,
            period_s=PERIOD_S,
            broker_port=self._broker.port,
            web_port=self._web_port,
            history=self._history.site(),
        )
        (self._folder / "site.yaml").write_text(text, "utf-8")
        return self

    def __exit__(self, *_: object) -> None:
        with self._stack:
            self._gateway.kill()

    def run(self, hours: float) -> None:
        self._gateway.start_with("read", 1024)
        until_good(self._listener, TANKS, PATIENCE_S, self._gateway.process)
        begun = time.monotonic()
        turns = 0
        for hour in range(1, round(hours) + 1):
            ends = begun + hour * 3600.0 / self._factor
            while time.monotonic() < ends - (1.0 - STRUCK_PART) * 3600.0 / self._factor:
                turns += 1
                self._turn()
            self._mend()
            time.sleep(max(0.0, ends - time.monotonic()))
            self._counts.append(self._gateway.counts())
            self._say(f"hour {hour}: waiting {self._waiting()}, {self._counts[-1]}")
        passed_h = (time.monotonic() - begun) * self._factor / 3600.0
        self._nothing_waits()
        before = {name: {each.key for each in found} for name, found in self._history.arrived().items()}
        rows = self._history.rows()
        self._history.drained(rows)
        self.figures |= {"hours": round(passed_h, 1), "turns": turns, "strikes": self._history.strikes}
        self._judge_counts()
        self._gateway.end(signal.SIGTERM, 0)
        self._judge_ledger(rows)
        self._judge_history(before, rows)
        self._wrong(*self._gateway.wrong)
        if "Traceback" in self._gateway.log:
            self._wrong(self._gateway.log[-8000:])

    # What is done

    def _turn(self) -> None:
        with ExitStack() as troubles:
            for tag in self._chance.sample(self._instruments, 2):
                name, options = self._chance.choice(FAULTS)
                say(self._server, tag, answered=False)
                say(self._server, f"{tag} {name} {json.dumps(options)}", answered=False)
            if self._chance.random() < 0.6:
                self._say(f"  {self._history.strike(self._chance)}")
            if self._chance.random() < 0.3:
                troubles.enter_context(self._chance.choice(ABUSES)(self._web_port, self._chance))
            if self._chance.random() < 0.2:
                troubles.enter_context(self._frozen_broker())
            time.sleep(self._chance.uniform(*TURN_S))
        self._gateway.check()

    @contextmanager
    def _frozen_broker(self) -> Iterator[None]:
        self._broker.freeze()
        try:
            yield
        finally:
            self._broker.thaw()

    def _mend(self) -> None:
        for tag in self._instruments:
            say(self._server, tag, answered=False)
        self._history.mend()
        self._gateway.check()
        say(self._listener, "forget", answered=False)
        try:
            until_good(self._listener, TANKS, PATIENCE_S, self._gateway.process)
        except RuntimeError:
            self._say(f"not Good: {self._not_good()}")
            raise

    # What must be true

    def _not_good(self) -> list[str]:
        with urllib.request.urlopen(f"http://127.0.0.1:{self._web_port}/inventories", timeout=30) as answer:
            found = json.loads(answer.read())["inventories"]
        return [
            f"{each['identity']['tank']} {name} {figure['reason']}"
            for each in found
            for name, figure in each["figures"].items()
            if each["quality"] != "Good" and figure["quality"] != "Good"
        ]

    def _waiting(self) -> dict[str, int]:
        with urllib.request.urlopen(f"http://127.0.0.1:{self._web_port}/metrics", timeout=30) as answer:
            metrics = answer.read().decode()
        name = "tank_gateway_destination_history_waiting"
        found = re.findall(rf'^{name}{{.*destination="([^"]+)".*}} (\S+)$', metrics, re.MULTILINE)
        return {destination: int(float(value)) for destination, value in found}

    def _nothing_waits(self) -> None:
        """At one moment at least: more comes all the time."""
        until = time.monotonic() + PATIENCE_S
        least = self._waiting()
        while any(least.values()) and time.monotonic() < until:
            time.sleep(0.1)
            least = {name: min(now, least[name]) for name, now in self._waiting().items()}
        self.figures["least_waiting_at_the_end"] = least
        if any(least.values()) or len(least) < 4:
            self._wrong(f"something waits at the end: {least}")

    def _judge_counts(self) -> None:
        """Against the end of the first hour; of memory the last third of the day against the middle one."""
        first, last = self._counts[0], self._counts[-1]
        for name, before, after, allowed in zip(Counts._fields, first, last, MAY_GROW, strict=True):
            self.figures[f"{name}_first_and_last"] = round(before, 1), round(after, 1)
            if name != "memory" and after > before + allowed:
                self._wrong(f"{name} grew from {before:g} to {after:g}")
        third = len(self._counts) // 3
        if third >= 2:
            middle, end = self._counts[third : 2 * third], self._counts[2 * third :]
            grown = median(each.memory for each in end) - median(each.memory for each in middle)
            self.figures["memory_grew_in_the_last_third_mb"] = round(grown, 1)
            if grown > FLAT_MB:
                self._wrong(f"memory still grew by {grown:.1f} MB in the last third of the day")

    def _judge_ledger(self, rows: list[Kept]) -> None:
        with closing(sqlite3.connect(f"{self._history.ledger.as_uri()}?mode=ro", uri=True)) as connection:
            (page,) = connection.execute("PRAGMA page_size").fetchone()
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            (free,) = connection.execute("PRAGMA freelist_count").fetchone()
            lost = dict(connection.execute("SELECT destination, lost FROM cursors").fetchall())
        size, used = page * pages, page * (pages - free)
        self.figures |= {"ledger_bytes": size, "ledger_used_bytes": used, "first_position": rows[0].position}
        if size > LARGEST_BYTES:
            self._wrong(f"the ledger has {size} bytes, and may have {LARGEST_BYTES}")
        if used < FILLED * LARGEST_BYTES or rows[0].position == 1:
            self._wrong(f"the ledger has not come to its limit: {used} of {LARGEST_BYTES} bytes are used")
        if any(lost.values()):
            self._wrong(f"entries were forced out before they had arrived: {lost}")

    def _judge_history(self, before: Mapping[str, set[Key]], rows: list[Kept]) -> None:
        """Most of it is not in the ledger any more: destinations are held against each other, and each record against
        the one that it names. What was at any of them `before` all of `rows` had come must be at all of them now."""
        wanted = {each.key for each in rows}.union(*before.values())
        for name, found in self._history.arrived().items():
            arrived = list(found)
            keys = {each.key for each in arrived}
            self.figures[f"entries_at_{name}"] = len(keys)
            if missing := wanted - keys:
                self._wrong(f"{name}: {len(missing)} are missing, among them {sorted(missing)[:3]}")
            if name == "broker":
                self._wrong(*_breaks_of_chain(arrived)[:3])
            elif len(keys) < len(arrived):
                self._wrong(f"{name}: {len(arrived) - len(keys)} twice")

    def _wrong(self, *texts: str) -> None:
        for text in texts:
            self._say(f"WRONG: {text}")
        self.wrong += texts

    def _say(self, text: str) -> None:
        print(f"{time.strftime('%H:%M:%S')} {text}", flush=True)


def _breaks_of_chain(arrived: Iterable[Arrived]) -> list[str]:
    """Records in the order in which they came first; each names the one of its tank before it."""
    wrong = []
    last: dict[str, object] = {}
    seen: set[Key] = set()
    for each in arrived:
        tank, boot, sequence, number = each.key
        if number < 0 and each.key not in seen:
            seen.add(each.key)
            if each.document["previous"] != last.get(tank):
                wrong.append(f"{each.key} names {each.document['previous']} and comes after {last.get(tank)}")
            last[tank] = {"boot": boot, "sequence": sequence}
    return wrong


if __name__ == "__main__":
    sys.exit(main())
