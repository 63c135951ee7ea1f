"""`make soak`: hours of faults, and what must still be true at the end.

Twenty simulated tanks. Instruments fall silent, answer nonsense, break their elements and lose their lines in random
turns; the broker is killed and started again. The gateway must stay up, calculate without a defect, keep no memory, say
no record twice under one identity, and show every tank Good when the faults are over.
"""

import argparse
import json
import random
import re
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import psutil

from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.bench.processes import Talking, gateway, listener_at, say, simulators, until_good
from tests.support.mosquitto import Mosquitto, free_port

__all__ = ["main"]

TANKS = 20
PERIOD_S = 0.5
TURN_S = 5.0
BROKER_EVERY = 12
"""Turns between two losses of the broker."""
WARM_UP_S = 60.0
GROWTH_MB = 30.0
"""More than this above what it took after the warm-up is a leak."""
PATIENCE_S = 180.0
"""Back-offs go up to 30 s; everything must be Good again well after the longest."""
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


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        found = _soak(Path(name), arguments.minutes * 60.0, random.Random(arguments.seed))
    print(json.dumps(found, indent=1))
    wrong = [
        text
        for fails, text in (
            (found["calculation_errors"], "inventories could not be calculated"),
            (found["growth_mb"] > GROWTH_MB, "the gateway kept memory"),
            (found["repeats"], "records came twice under one identity"),
            (found["tracebacks"], "tracebacks stand in the log"),
        )
        if fails
    ]
    print("well" if not wrong else "NOT well: " + "; ".join(wrong))
    return 1 if wrong else 0


def _soak(folder: Path, seconds: float, chance: random.Random) -> dict[str, float]:
    web_port = free_port()
    broker = Mosquitto(folder)
    with broker, simulators(TANKS) as (fleet_server, addresses), listener_at(broker.port) as listener:
        site, log = folder / "site.yaml", folder / "gateway.log"
        rows = describe(fleet(TANKS))
        site.write_text(
            site_text(rows, addresses, period_s=PERIOD_S, broker_port=broker.port, web_port=web_port), "utf-8"
        )
        with gateway(site, log) as process:
            until_good(listener, TANKS, PATIENCE_S, process)
            time.sleep(min(WARM_UP_S, seconds / 4))
            before_mb = process.memory_info().rss / 2**20
            turns = _trouble(fleet_server, broker, process, seconds, chance)
            say(listener, "forget", answered=False)
            until_good(listener, TANKS, PATIENCE_S, process)
            with urllib.request.urlopen(f"http://127.0.0.1:{web_port}/metrics", timeout=30) as answer:
                metrics = answer.read().decode()
            after_mb = process.memory_info().rss / 2**20
            heard = json.loads(say(listener, "end"))
        tracebacks = _tracebacks(log)
        for text in tracebacks:
            print(text)
        return {
            "turns": turns,
            "messages": heard["all_messages"],
            "repeats": heard["repeats"],
            "calculation_errors": _sum(metrics, "tank_gateway_calculation_errors_total"),
            "lost_records_counted": _sum(metrics, "tank_gateway_destination_lost_total"),
            "request_errors": _sum(metrics, "tank_gateway_instrument_errors_total"),
            "memory_mb": round(after_mb, 1),
            "growth_mb": round(after_mb - before_mb, 1),
            "tracebacks": len(tracebacks),
        }


def _trouble(
    fleet_server: Talking, broker: Mosquitto, process: psutil.Process, seconds: float, chance: random.Random
) -> int:
    """Faults in random turns; at the end all is mended. Gives the number of turns."""
    tags = [f"X-{number + 1:04d}" for number in range(TANKS)]
    struck: set[str] = set()
    turns = 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        turns += 1
        for tag in [tag for tag in struck if chance.random() < 0.4]:
            say(fleet_server, tag, answered=False)
            struck.discard(tag)
        for tag in chance.sample(tags, 3):
            name, options = chance.choice(FAULTS)
            say(fleet_server, f"{tag} {name} {json.dumps(options)}", answered=False)
            struck.add(tag)
        if turns % BROKER_EVERY == 0:
            broker.kill()
        time.sleep(TURN_S)
        if turns % BROKER_EVERY == 0:
            broker.start()
        if not process.is_running() or process.status() == psutil.STATUS_ZOMBIE:
            raise RuntimeError(f"the gateway ended in turn {turns}")
    for tag in struck:
        say(fleet_server, tag, answered=False)
    return turns


def _tracebacks(log: Path) -> list[str]:
    """Each with what stands around it: the log goes with the run, and this is what a failed one is known by."""
    lines = log.read_text("utf-8").splitlines()
    found = [number for number, line in enumerate(lines) if "Traceback" in line]
    return ["\n".join(lines[max(0, number - 2) : number + 80]) for number in found]


def _sum(metrics: str, name: str) -> float:
    return sum(float(value) for value in re.findall(rf"^{name}(?:{{.*}})? (\S+)$", metrics, re.MULTILINE))


if __name__ == "__main__":
    sys.exit(main())
