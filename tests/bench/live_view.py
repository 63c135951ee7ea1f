"""The live view of 500 tanks, each with a new sheet every two seconds, for ten viewers: what it costs the gateway, how
much goes to one of them, how long the first view takes, and how old a sheet is when it has come.

The gateway is the whole one, polling simulated instruments. It is watched with viewers and without by turns, so that
the cost of them is a difference within one run. Simulators, broker, and viewers are processes of their own on the same
machine. The age of a sheet is from its own time, which is of the moment before it goes to its takers, to the moment
when the last byte of the change that tells it has come to a viewer.
"""

import json
import os
import tempfile
import time
import urllib.request
from pathlib import Path
from statistics import median
from typing import Any

import psutil

from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.bench.processes import Talking, gateway, listener_at, python, say, simulators, until_good
from tests.bench.whole_process import lateness, quantile
from tests.support.mosquitto import Mosquitto, free_port

__all__ = ["measure"]

TANKS, PERIOD_S, VIEWERS, ELEMENTS = 500, 2.0, 10, 16


def measure(*, long: bool, tanks: int = TANKS) -> dict[str, object]:
    rounds, seconds = (10, 20.0) if long else (5, 6.0)
    with tempfile.TemporaryDirectory() as name:
        folder, web_port = Path(name), free_port()
        with (
            Mosquitto(folder) as broker,
            simulators(tanks) as (_, addresses),
            listener_at(broker.port) as listener,
            python("-m", "tests.bench.viewers", str(web_port)) as viewers,
        ):
            site = folder / "site.yaml"
            rows = describe(fleet(tanks, ELEMENTS))
            text = site_text(rows, addresses, period_s=PERIOD_S, broker_port=broker.port, web_port=web_port)
            site.write_text(text, "utf-8")
            with gateway(site, folder / "gateway.log") as process:
                until_good(listener, tanks, 60 + 10 * PERIOD_S, process)
                found = [_round(process, viewers, web_port, seconds) for _ in range(rounds)]
    return _told(found, tanks, rounds, seconds)


def _round(process: psutil.Process, viewers: Talking, web_port: int, seconds: float) -> dict[str, Any]:
    """Without viewers, with such as take gzip, as browsers do, and with such as do not."""
    before, _ = lateness(web_port)
    alone = _percent(process, seconds)
    between, _ = lateness(web_port)
    packed = _watched(process, viewers, web_port, seconds, "packed")
    plain = _watched(process, viewers, web_port, seconds, "")
    after, _ = lateness(web_port)
    return {
        "alone": alone,
        **packed,
        "cost": packed["watched"] - alone,
        "plain_cost": plain["watched"] - alone,
        "plain_kb_s": plain["kb_s"],
        "late_alone_ms": _p99_ms(before, between),
        "late_watched_ms": _p99_ms(between, after),
    }


def _p99_ms(before: dict[float, float], after: dict[float, float]) -> float:
    """How late polls began, between two scrapes."""
    return quantile({bound: after[bound] - before[bound] for bound in after}, 0.99) * 1e3


def _watched(process: psutil.Process, viewers: Talking, web_port: int, seconds: float, how: str) -> dict[str, Any]:
    waited_s = json.loads(say(viewers, f"open {VIEWERS} {how}"))
    begun = time.monotonic()
    with urllib.request.urlopen(f"http://127.0.0.1:{web_port}/api/1/view", timeout=30) as answer:
        size = len(answer.read())
    view_s = time.monotonic() - begun
    time.sleep(1.0)
    say(viewers, "begin")
    watched = _percent(process, seconds)
    heard = json.loads(say(viewers, "end"))
    say(viewers, "close")
    time.sleep(0.5)
    return {
        "watched": watched,
        "first_ms": waited_s[0] * 1e3,
        "view_ms": view_s * 1e3,
        "view_kb": size / 1e3,
        "kb_s": heard["bytes"] / seconds / 1e3,
        "events": heard["events"],
        "ages_ms": [age * 1e3 for age in heard["ages_s"]],
    }


def _percent(process: psutil.Process, seconds: float) -> float:
    """Of a core."""
    cpu, begun = process.cpu_times(), time.monotonic()
    time.sleep(seconds)
    passed, used = time.monotonic() - begun, process.cpu_times()
    return (used.user + used.system - cpu.user - cpu.system) / passed * 100


def _told(found: list[dict[str, Any]], tanks: int, rounds: int, seconds: float) -> dict[str, object]:
    ages = sorted(age for each in found for age in each["ages_ms"])
    if not ages:
        raise RuntimeError("no viewer was told of any sheet")

    def middle(name: str) -> float:
        return float(median(each[name] for each in found))

    rows = [
        ("gateway alone, % of a core", middle("alone")),
        (f"with {VIEWERS} viewers, % of a core", middle("watched")),
        (f"what {VIEWERS} viewers cost, % of a core", middle("cost")),
        ("lowest of the rounds", min(each["cost"] for each in found)),
        ("highest", max(each["cost"] for each in found)),
        ("of such as do not take gzip", middle("plain_cost")),
        ("to one viewer, kB/s", middle("kb_s")),
        ("to one that does not take gzip", middle("plain_kb_s")),
        ("whole view, kB", middle("view_kb")),
        ("asked for the whole view while watched, ms", middle("view_ms")),
        ("first view of a first viewer, ms", middle("first_ms")),
        ("sheet to viewer, ms, p50", median(ages)),
        ("p99", ages[int(len(ages) * 0.99)]),
        ("polls late, ms, p99, without viewers", middle("late_alone_ms")),
        ("with viewers", middle("late_watched_ms")),
        ("rows a second to a viewer", len(ages) / rounds / seconds),
        ("load of machine", os.getloadavg()[0]),
    ]
    for each in found:
        del each["ages_ms"]
    return {
        "title": f"Live view, {tanks} tanks every {PERIOD_S:g} s, {VIEWERS} viewers, {rounds} rounds of {seconds:g} s",
        "columns": ["", ""],
        "table": [[name, f"{value:,.3g}" if value < 1000 else f"{value:,.0f}"] for name, value in rows],
        "rows": found,
    }
