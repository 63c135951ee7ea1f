"""`make soak`: hours of faults at random, and what must be true all the while and at the end.

Twenty simulated tanks on two lines, a real broker, and the gateway as a process. In rounds of about a minute
instruments fall silent, answer nonsense and lose their connections; the broker is killed or stands still; HTTP is
abused; nobody reads the log, or its disk is full, or its reader gone; the gateway stands still (SIGSTOP), gets signals
that mean nothing to it, is killed or ended and begun anew, at times with too few descriptors; destinations of history
are struck, and at the end all of it is counted. What comes when follows from the seed that is printed. The last part of
the time one and the same process goes through all of it.

All the while a subscriber comes anew and looks at what lies on the broker: nothing there may be a stale or a wrong
Good, and the tanks of the line that nothing is done to are on time. After each round everything must become Good again,
and memory, tasks, descriptors and threads must be what they were after the first round of this boot.
"""

import argparse
import json
import random
import re
import secrets
import signal
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from contextlib import ExitStack, nullcontext
from pathlib import Path

from gateway.delivery.registers.document import map_csv
from gateway.delivery.registers.plan import RegistersPlan
from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.bench.http_abuse import ABUSES
from tests.bench.late_subscriber import Facts, look, not_on_time, stale
from tests.bench.processes import Talking, listener_at, poller_at, say, simulators, until_good
from tests.bench.soaked_gateway import Counts, SoakedGateway
from tests.bench.soaked_history import COMMIT_S, SoakedHistory
from tests.support.mosquitto import Mosquitto, free_port

__all__ = ["main"]

TANKS = 20
STRUCK = 10
"""Instruments on the first line, which faults are played on; the others only share the gateway with them."""
PERIOD_S = 0.5
TURNS = (6, 12)
TURN_S = (2.0, 7.0)
STILL_S = (1.0, 25.0)
LONG_STILL_S = 120.0
"""Once in a soak that has the time for it."""
DEAD_S = (0.0, 20.0)
PATIENCE_S = 180.0
"""Back-offs go up to 30 s; everything must be Good again well after the longest."""
SETTLED_S = 60.0
"""From when nothing more is done to broker and process: until then even the untouched tanks may be late."""
MAY_GROW = Counts(memory=45.0, tasks=3, descriptors=4, threads=8)
"""A pool of threads may not yet be full after a first round, nor all the room in use that bursts of requests take: at
most 6.5 MB in ten minutes so far. What is read ahead for a destination that is struck are some hundred records of 20 kB
for each: 23 MB so far."""
HTTP_PATIENCE_S = 30.0
"""Longer than the server bears a connection that asks nothing, or half of something."""
SILENT = frozenset({"silence", "refused_connection"})
FAULTS: tuple[tuple[str, dict[str, object]], ...] = (
    ("silence", {}),
    ("exception", {"code": 6}),
    ("slow", {"delay_s": 2.0}),
    ("open_element", {"element": 3}),
    ("not_a_number", {}),
    ("frozen", {}),
    ("garbled", {"how": "transaction"}),
    ("garbled", {"how": "truncated"}),
    ("garbled", {"how": "length"}),
    ("garbled", {"how": "unit"}),
    ("dropped_connection", {"half_answered": True}),
    ("refused_connection", {}),
)
LOST_AT_MOST_S = COMMIT_S + 2.0
"""What waits for a commit, and a commit that is not called slow yet."""
LAST_BOOT = 0.4
"""Of the whole time: what grows slowly shows in a process that lives long."""
ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT)
MEANINGLESS = (signal.SIGHUP, signal.SIGUSR1, signal.SIGUSR2, signal.SIGPIPE)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=None, help="default: another one each time")
    arguments = parser.parse_args()
    seed = secrets.randbelow(1_000_000) if arguments.seed is None else arguments.seed
    print(f"seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as name, Soak(Path(name), random.Random(seed)) as soak:
        soak.run(arguments.minutes * 60.0)
    print(json.dumps(soak.figures, indent=1))
    print("well" if not soak.wrong else "NOT well:\n" + "\n".join(soak.wrong))
    return 1 if soak.wrong else 0


class Soak:
    """Everything that runs, what was done to it and what came of it."""

    def __init__(self, folder: Path, chance: random.Random) -> None:
        self.wrong: list[str] = []
        self.figures: dict[str, float] = {"rounds": 0, "turns": 0, "looks": 0, "kills": 0, "ends": 0, "stands": 0}
        self._folder = folder
        self._chance = chance
        self._stack = ExitStack()
        self._web_port = free_port()
        self._broker = Mosquitto(folder, verbose=False)
        self._history = SoakedHistory(folder)
        self._gateway = SoakedGateway(folder / "site.yaml", folder)
        self._struck: dict[str, str] = {}
        self._silent_since: dict[str, float] = {}
        self._disturbed = 0.0
        """When broker or process was last interfered with, by time.monotonic()."""
        self._first: Counts | None = None
        """After the first round of this boot."""
        self._rounds_of_boot = 0

    def __enter__(self) -> "Soak":
        scenario = fleet(TANKS, instruments_per_line=STRUCK)
        self._levels = {tag: tank.level for tag, tank in scenario.tanks.items()}
        self._stack.enter_context(self._broker)
        self._stack.enter_context(self._history)
        self._server, addresses = self._stack.enter_context(simulators(TANKS, STRUCK))
        self._listener: Talking = self._stack.enter_context(listener_at(self._broker.port))
        registers = RegistersPlan("127.0.0.1", free_port(), tuple((tag, n) for n, tag in enumerate(self._levels, 1)))
        map_file = self._folder / "registers.csv"
        map_file.write_bytes(map_csv(registers).encode())
        self._poller: Talking = self._stack.enter_context(poller_at(registers.port, map_file))
        history = self._history.site()
        served = {"address": f"127.0.0.1:{registers.port}", "blocks": dict(registers.blocks)}
        history["delivery"] = {**history["delivery"], "registers": served}
        text = site_text(
            describe(scenario),
            addresses,
            period_s=PERIOD_S,
            broker_port=self._broker.port,
            web_port=self._web_port,
            history=history,
        )
        (self._folder / "site.yaml").write_text(text, "utf-8")
        return self

    def __exit__(self, *_: object) -> None:
        with self._stack:
            self._gateway.kill()

    def run(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        long_still = seconds > 10 * LONG_STILL_S
        self._start()
        self._calm()
        while time.monotonic() < end:
            self.figures["rounds"] += 1
            self._round(long_still and self.figures["rounds"] == 2)
            self._calm()
            if self._chance.random() < 0.25 and end - time.monotonic() > LAST_BOOT * seconds:
                self._begin_anew()
                self._calm()
        heard = json.loads(say(self._listener, "end"))
        self.figures |= {"messages": heard["all_messages"], "boots": self._gateway.boots}
        if heard["repeats"]:
            self.wrong.append(f"{heard['repeats']} records came twice under one identity")
        self._finish()
        self._look_at_registers()

    # A round

    def _round(self, long_still: bool) -> None:
        self._rounds_of_boot += 1
        turns = self._chance.randint(*TURNS)
        disturb = self._chance.choice([self._kill_broker, self._freeze_broker, self._stand_still, self._leave_alone])
        if long_still:
            disturb = self._stand_still_long
        self._say(f"round {self.figures['rounds']:g}: {turns} turns, {disturb.__name__}")
        disturb()
        for _ in range(turns):
            self._turn()

    def _turn(self) -> None:
        self.figures["turns"] += 1
        self._play_line_faults()
        if self._chance.random() < 0.4:
            self._say(f"  {self._history.strike(self._chance)}")
        if self._chance.random() < 0.3:
            self._gateway.signal(self._chance.choice(MEANINGLESS))
        with ExitStack() as troubles:
            if self._chance.random() < 0.4:
                troubles.enter_context(self._chance.choice(ABUSES)(self._web_port, self._chance))
            if self._chance.random() < 0.3:
                troubles.enter_context(self._gateway.log_unread())
            time.sleep(self._chance.uniform(*TURN_S))
            self._look()
        self._gateway.check()

    def _play_line_faults(self) -> None:
        for tag in [tag for tag in self._struck if self._chance.random() < 0.4]:
            self._relieve(tag)
        for tag in self._chance.sample([f"X-{number + 1:04d}" for number in range(STRUCK)], 2):
            name, options = self._chance.choice(FAULTS)
            self._relieve(tag)
            say(self._server, f"{tag} {name} {json.dumps(options)}", answered=False)
            self._struck[tag] = name
            if name in SILENT:
                self._silent_since[tag.replace("X", "T")] = time.time()

    def _relieve(self, tag: str) -> None:
        say(self._server, tag, answered=False)
        self._struck.pop(tag, None)
        self._silent_since.pop(tag.replace("X", "T"), None)

    def _kill_broker(self) -> None:
        self._broker.kill()
        time.sleep(self._chance.uniform(*DEAD_S))
        self._broker.start()
        self._disturbed = time.monotonic()

    def _freeze_broker(self) -> None:
        self._broker.freeze()
        time.sleep(self._chance.uniform(*STILL_S))
        self._broker.thaw()
        self._disturbed = time.monotonic()

    def _leave_alone(self) -> None:
        """Broker and process, so that the instruments' faults are all there is."""

    def _stand_still(self) -> None:
        self._stand_still_for(self._chance.uniform(*STILL_S))

    def _stand_still_long(self) -> None:
        self._stand_still_for(LONG_STILL_S)

    def _stand_still_for(self, seconds: float) -> None:
        self.figures["stands"] += 1
        with self._gateway.standing_still():
            self._wait_and_look(seconds)
        self._disturbed = time.monotonic()

    def _begin_anew(self) -> None:
        if self._chance.random() < 0.6:
            self.figures["kills"] += 1
            self._gateway.end(signal.SIGKILL, -signal.SIGKILL)
        else:
            self.figures["ends"] += 1
            with self._gateway.log_unread() if self._chance.random() < 0.5 else nullcontext():
                self._gateway.end(self._chance.choice(ENDING), 0)
            self._all_say_not_watched()
        self._wait_and_look(self._chance.uniform(*DEAD_S))
        self._start()

    def _start(self) -> None:
        self._say(f"begun: {self._gateway.start(self._chance)}")
        self._first = None
        self._rounds_of_boot = 0
        self._disturbed = time.monotonic()

    # What must be true

    def _look(self) -> None:
        now = time.time()
        found = look(self._broker.port, TANKS)
        if found is None:
            return
        self.figures["looks"] += 1
        facts = Facts(self._gateway.alive_until, self._silent_since, self._levels)
        self._wrong(*stale(found, facts, now))
        if self._gateway.alive_until is None and time.monotonic() - self._disturbed > SETTLED_S:
            late = not_on_time(found, list(self._levels)[STRUCK:], now)
            self._wrong(*(f"{tank}: not on time though nothing was done to it" for tank in late))

    def _wait_and_look(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            time.sleep(min(left, 10.0))
            self._look()

    def _all_say_not_watched(self) -> None:
        found = look(self._broker.port, TANKS) or {}
        levels = {tank: record["figures"]["level"] for tank, record in found.items()}
        others = {tank: level for tank, level in levels.items() if (level["reason"] or {}).get("code") != "not_watched"}
        self._wrong(*(f"{tank}: {level} after a clean end" for tank, level in others.items()))
        if len(found) < TANKS:
            self._wrong(f"only {len(found)} tanks lie on the broker after a clean end")

    def _calm(self) -> None:
        """All is mended: everything becomes Good, and nothing is held that was not held before."""
        for tag in list(self._struck):
            self._relieve(tag)
        self._history.mend()
        self._gateway.check()
        say(self._listener, "forget", answered=False)
        until_good(self._listener, TANKS, PATIENCE_S, self._gateway.process)
        self._look()
        if self._first is None:
            # Abused connections have their time; what is still held after it is the measure.
            time.sleep(HTTP_PATIENCE_S if self._rounds_of_boot else 0.0)
            if self._rounds_of_boot:
                self._first = self._gateway.counts()
                self._say(f"  at first {self._first}")
            return
        first = self._first
        most = Counts(*(a + b for a, b in zip(first, MAY_GROW, strict=True)))
        now = _at_most(most, self._gateway.counts)
        self._say(f"  {now}")
        for name, before, after, allowed in zip(Counts._fields, first, now, most, strict=True):
            self.figures[f"{name}_grew"] = max(self.figures.get(f"{name}_grew", 0.0), round(after - before, 1))
            if after > allowed:
                self._wrong(f"{name} grew from {before:g} to {after:g}")

    def _finish(self) -> None:
        with urllib.request.urlopen(f"http://127.0.0.1:{self._web_port}/metrics", timeout=30) as answer:
            metrics = answer.read().decode()
        for name in ("calculation_errors", "destination_lost", "instrument_errors", "log_lines_dropped"):
            self.figures[name] = _sum(metrics, f"tank_gateway_{name}_total")
        if self.figures["calculation_errors"]:
            self._wrong("inventories could not be calculated")
        self._gateway.end(signal.SIGTERM, 0)
        self._all_say_not_watched()
        self._count_history()
        if not self.figures["looks"]:
            self._wrong("nothing was ever seen on the broker")
        self._wrong(*self._gateway.wrong, *_tracebacks(self._gateway.log))

    def _look_at_registers(self) -> None:
        polled = json.loads(say(self._poller, "end"))
        self.figures |= {"register_answers": polled["answers"], "register_connects": polled["connects"]}
        self._wrong(*(f"registers: {each}" for each in polled["wrong"]))
        if not polled["answers"] or polled["exceptions"]:
            self._wrong(f"registers: {polled['answers']} answers, exceptions {polled['exceptions']}")

    def _count_history(self) -> None:
        """What the end has left waiting is brought by one more start."""
        rows = self._history.rows()
        self._start()
        self._history.drained(rows)
        self._gateway.end(signal.SIGTERM, 0)
        self._wrong(*self._history.wrong(self._history.rows()))
        lost_s = self._history.longest_loss_s(rows)
        self.figures |= {"history": len(rows), "strikes": self._history.strikes, "lost_s": round(lost_s, 2)}
        if lost_s > LOST_AT_MOST_S:
            self._wrong(f"a kill has cost {lost_s:.1f} s of history")

    def _wrong(self, *texts: str) -> None:
        for text in texts:
            self._say(f"WRONG: {text}")
        self.wrong += texts

    def _say(self, text: str) -> None:
        print(f"{time.strftime('%H:%M:%S')} {text}", flush=True)


def _at_most(most: Counts, counts: Callable[[], Counts]) -> Counts:
    """What is held once it is no more than that, or still is when the patience is at its end."""
    until = time.monotonic() + 2 * HTTP_PATIENCE_S
    while True:
        found = counts()
        if all(now <= allowed for now, allowed in zip(found, most, strict=True)) or time.monotonic() > until:
            return found
        time.sleep(1.0)


def _tracebacks(log: str) -> list[str]:
    """Each with what stands around it: the log goes with the run, and this is what a failed one is known by."""
    lines = log.splitlines()
    found = [number for number, line in enumerate(lines) if "Traceback" in line]
    return ["\n".join(lines[max(0, number - 2) : number + 80]) for number in found]


def _sum(metrics: str, name: str) -> float:
    return sum(float(value) for value in re.findall(rf"^{name}(?:{{.*}})? (\S+)$", metrics, re.MULTILINE))


if __name__ == "__main__":
    sys.exit(main())
