"""One gateway process with 200 and with 1,000 tanks, and with 200 of which history is kept and delivered to a broker, a
database and a folder: lateness, age of the news at a subscriber, processor and memory.

Simulators, broker and subscriber are processes of their own on the same machine, so with few cores they take part of
what they measure. Lateness is the gateway's own histogram: how long after its due time each poll was begun. The age of
the news is seen from outside: from the read of the level, by its time in the payload, to its arrival at the subscriber.
That time is of the moment when the answer was complete, less the part of a millisecond that the payload does not show;
so the age is an upper bound of the time from the last byte of an answer to the publish.
"""

import json
import os
import re
import tempfile
import time
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

import psutil

from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.bench.processes import Talking, gateway, listener_at, say, simulators, until_good
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.postgres import PASSWORD, USER, Postgres

__all__ = ["history_sections", "lateness", "measure", "quantile"]

ELEMENTS = 16
BUCKET = re.compile(r'^tank_gateway_line_poll_lateness_seconds_bucket{.*le="([^"]+)".*} (\S+)$', re.MULTILINE)


class Load(NamedTuple):
    tanks: int
    period_s: float
    keeps: bool = False
    """Whether there is a ledger, and its history goes to the broker, a database and a folder of files."""


LOADS = (Load(200, 2.0), Load(200, 2.0, keeps=True), Load(1_000, 1.0))


def measure(*, long: bool) -> dict[str, object]:
    seconds = 300.0 if long else 30.0
    found = [_measure(load, seconds) for load in LOADS]
    columns = {
        "tanks": "",
        "period_s": "every s",
        "keeps": "history kept",
        "sheets_part": "sheets of those due",
        "lateness_p50_ms": "late ms p50",
        "lateness_p99_ms": "p99",
        "age_p50_ms": "read to subscriber ms p50",
        "age_p99_ms": "p99",
        "scrape_ms": "scrape ms",
        "cpu_percent": "% of a core",
        "memory_mb": "MB",
        "load": "load of machine",
    }
    return {
        "title": f"Whole gateway process, {ELEMENTS} elements a tank, {seconds:g} s each, one metrics scrape within",
        "columns": list(columns.values()),
        "table": [[_shown(row[key]) for key in columns] for row in found],
        "rows": found,
    }


def _shown(value: float | bool) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:,.0f}" if value >= 100 or value == int(value) else f"{value:.3g}"


def _measure(load: Load, seconds: float) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name:
        folder, web_port = Path(name), free_port()
        with (
            Mosquitto(folder) as broker,
            simulators(load.tanks) as (_, addresses),
            listener_at(broker.port) as listener,
            ExitStack() as stack,
        ):
            site = folder / "site.yaml"
            text = site_text(
                describe(fleet(load.tanks, ELEMENTS)),
                addresses,
                period_s=load.period_s,
                broker_port=broker.port,
                web_port=web_port,
                history=history_sections(stack, folder, broker.port) if load.keeps else None,
            )
            site.write_text(text, "utf-8")
            with gateway(site, folder / "gateway.log") as process:
                until_good(listener, load.tanks, 60 + 10 * load.period_s, process)
                return _watch(load, seconds, process, listener, web_port)


def history_sections(stack: ExitStack, folder: Path, broker_port: int) -> dict[str, Any]:
    """Six records a tank and minute, each at four destinations: the broker has it twice."""
    database = stack.enter_context(Postgres())
    files = folder / "history"
    files.mkdir()
    password = folder / "password"
    password.write_text(PASSWORD)
    password.chmod(0o600)
    return {
        "ledger": {"file": str(folder / "bench.ledger")},
        "delivery": {
            "mqtt": {"address": f"127.0.0.1:{broker_port}", "name": "keeper", "prefix": "others"},
            "files": {"folder": str(files)},
            "postgresql": {
                "address": f"127.0.0.1:{database.port}",
                "database": "postgres",
                "user_name": USER,
                "password_file": str(password),
            },
        },
    }


def _watch(load: Load, seconds: float, process: psutil.Process, listener: Talking, web_port: int) -> dict[str, float]:
    before, _ = lateness(web_port)
    say(listener, "begin", answered=False)
    cpu, begun = process.cpu_times(), time.monotonic()
    time.sleep(seconds)
    passed = time.monotonic() - begun
    used = process.cpu_times()
    heard = json.loads(say(listener, "end"))
    after, scrape_s = lateness(web_port)
    if heard["not_good"]:
        raise RuntimeError(f"{heard['not_good']} of {len(heard['ages_s'])} inventories looked at were not Good")
    counts = {bound: after[bound] - before[bound] for bound in after}
    ages = heard["ages_s"]
    return {
        "tanks": load.tanks,
        "period_s": load.period_s,
        "keeps": load.keeps,
        "seconds": passed,
        "polls": counts[float("inf")],
        "sheets_part": heard["messages"] / (load.tanks / load.period_s * passed),
        "lateness_p50_ms": quantile(counts, 0.50) * 1e3,
        "lateness_p99_ms": quantile(counts, 0.99) * 1e3,
        "age_p50_ms": median(ages) * 1e3,
        "age_p99_ms": ages[int(len(ages) * 0.99)] * 1e3,
        "scrape_ms": scrape_s * 1e3,
        "cpu_percent": (used.user + used.system - cpu.user - cpu.system) / passed * 100,
        "memory_mb": process.memory_info().rss / 2**20,
        "load": os.getloadavg()[0],
    }


def lateness(web_port: int) -> tuple[dict[float, float], float]:
    """Polls by how late they began at most, over all lines; and how long the scrape took."""
    begun = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{web_port}/metrics", timeout=30) as answer:
        text = answer.read().decode()
    scrape_s = time.monotonic() - begun
    counts: dict[float, float] = {}
    for bound, count in BUCKET.findall(text):
        counts[float(bound)] = counts.get(float(bound), 0.0) + float(count)
    return counts, scrape_s


def quantile(counts: dict[float, float], part: float) -> float:
    """From a cumulative histogram, straight within a bucket; beyond the last finite bound, that bound."""
    wanted = counts[float("inf")] * part
    low, below = 0.0, 0.0
    for bound in sorted(counts):
        if counts[bound] >= wanted:
            if bound == float("inf"):
                return low
            return low + (bound - low) * (wanted - below) / max(1e-9, counts[bound] - below)
        low, below = bound, counts[bound]
    return low
