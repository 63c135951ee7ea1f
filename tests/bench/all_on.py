"""The whole gateway with 200 tanks every two seconds and its history kept, without and with all that others ask of it:
a client of OPC UA on 36 variables of each tank, a control system that reads registers 20 times a second, a primary host
of Sparkplug, and the page in ten browsers.

By turns: five gateways without, five with, so that what differs can be held against what differs anyhow. Everything
around them is a process of its own on the same machine, so with few cores these take part of what they measure: what
they take is told. Lateness and the age of the news are those of `whole_process`.
"""

import json
import os
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median
from typing import Any, NamedTuple

import psutil

from gateway.delivery.opcua.names import FIGURES
from gateway.delivery.registers.document import map_csv
from gateway.delivery.registers.plan import RegistersPlan
from gateway.process.memory_file import DIRECTORY_VARIABLE
from simulators.fleet import describe, fleet
from tests.bench.fleet_site import site_text
from tests.bench.processes import (
    Talking,
    gateway,
    listener_at,
    poller_at,
    process_of,
    python,
    say,
    simulators,
    until_good,
)
from tests.bench.whole_process import history_sections, lateness, quantile
from tests.support.mosquitto import Mosquitto, free_port

__all__ = ["measure"]

TANKS, PERIOD_S, ELEMENTS, VIEWERS, ROUNDS = 200, 2.0, 16, 10, 5
HOST, GROUP = "control-room", "plant"
_ROOT = Path(__file__).parents[2]
_FIGURES = [each.key for each in FIGURES][:36]
_HELD = ("polls late", "read to subscriber")
"""What must stay within the spread of what it is without."""
_SETTLED_S = 5.0
"""From when every tank is Good, and from when everybody has come, until it is measured."""


class Yard(NamedTuple):
    """What is there in every round."""

    folder: Path
    broker_port: int
    addresses: Mapping[str, tuple[str, int]]
    history: Mapping[str, Any]


def measure(*, long: bool) -> dict[str, object]:
    seconds = 60.0 if long else 15.0
    found: dict[bool, list[dict[str, float]]] = {False: [], True: []}
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        broker = stack.enter_context(Mosquitto(folder, verbose=False))
        fleet_process, addresses = stack.enter_context(simulators(TANKS))
        history = history_sections(stack, folder, broker.port)
        yard = Yard(folder, broker.port, addresses, history)
        for number in range(ROUNDS):
            # Every other round begins with the other one.
            for all_on in (number % 2 == 1, number % 2 == 0):
                found[all_on].append(_round(yard, seconds, fleet_process, all_on=all_on))
    return _told(found, seconds)


def _round(yard: Yard, seconds: float, fleet_process: Talking, *, all_on: bool) -> dict[str, float]:
    web_port, opcua, registers = free_port(), free_port(), free_port()
    rows = describe(fleet(TANKS, ELEMENTS))
    tags = list(dict.fromkeys(row.tank for row in rows))
    blocks = {tag: number for number, tag in enumerate(tags, 1)}
    history = {"ledger": yard.history["ledger"], "delivery": dict(yard.history["delivery"])}
    if all_on:
        history["delivery"] |= _doors(yard, opcua, registers, blocks)
    site = yard.folder / "site.yaml"
    site.write_text(
        site_text(
            rows, yard.addresses, period_s=PERIOD_S, broker_port=yard.broker_port, web_port=web_port, history=history
        ),
        "utf-8",
    )
    with (
        listener_at(yard.broker_port) as listener,
        gateway(site, yard.folder / "gateway.log", {DIRECTORY_VARIABLE: str(yard.folder)}) as process,
        ExitStack() as stack,
    ):
        until_good(listener, TANKS, 60 + 10 * PERIOD_S, process)
        around = {"simulators": process_of(fleet_process)}
        told: dict[str, float] = {}
        guests: Mapping[str, Talking] = {}
        if all_on:
            guests = stack.enter_context(_guests(yard, web_port, opcua, registers, blocks, seconds))
            around |= {name: process_of(each) for name, each in guests.items()}
            around["OPC UA server"] = _server_of(process)
        time.sleep(_SETTLED_S)
        if all_on:
            _begin(guests)
        before, _ = lateness(web_port)
        say(listener, "begin", answered=False)
        used, begun = {name: _busy_s(each) for name, each in around.items()}, time.monotonic()
        own = _busy_s(process)
        time.sleep(seconds)
        passed = time.monotonic() - begun
        told["gateway, % of a core"] = 100 * (_busy_s(process) - own) / passed
        told |= {f"{name}, % of a core": 100 * (_busy_s(each) - used[name]) / passed for name, each in around.items()}
        heard = json.loads(say(listener, "end"))
        after, _ = lateness(web_port)
        counts = {bound: after[bound] - before[bound] for bound in after}
        if heard["not_good"]:
            raise RuntimeError(f"{heard['not_good']} of {len(heard['ages_s'])} inventories looked at were not Good")
        told |= {
            "polls late, ms, p50": 1e3 * quantile(counts, 0.50),
            "polls late, ms, p99": 1e3 * quantile(counts, 0.99),
            **_ages("read to subscriber", heard["ages_s"]),
            "sheets, of those due": heard["messages"] / (TANKS / PERIOD_S * passed),
            "gateway, MB": process.memory_info().rss / 2**20,
            "load of machine": os.getloadavg()[0],
        }
        if all_on:
            told["OPC UA server, MB"] = around["OPC UA server"].memory_info().rss / 2**20
            told |= _heard(guests, seconds)
        return told


def _doors(yard: Yard, opcua: int, registers: int, blocks: Mapping[str, int]) -> dict[str, Any]:
    return {
        "opcua": {
            "address": f"127.0.0.1:{opcua}",
            "certificates": str(yard.folder / "opcua"),
            "security": ["None"],
            "anonymous": True,
        },
        "registers": {"address": f"127.0.0.1:{registers}", "blocks": dict(blocks)},
        "sparkplug": {
            "address": [f"127.0.0.1:{yard.broker_port}"],
            "group": GROUP,
            "node": "bench",
            "primary_host": HOST,
        },
    }


@contextmanager
def _guests(
    yard: Yard, web_port: int, opcua: int, registers: int, blocks: Mapping[str, int], seconds: float
) -> Iterator[dict[str, Talking]]:
    """Everybody who asks, once all have what they asked for."""
    map_file = yard.folder / "registers.csv"
    map_file.write_bytes(map_csv(RegistersPlan("127.0.0.1", registers, tuple(blocks.items()))).encode())
    with (
        python("-m", "tests.bench.primary_host", str(yard.broker_port), HOST, GROUP) as host,
        poller_at(registers, map_file) as poller,
        python("-m", "tests.bench.viewers", str(web_port)) as viewers,
        _client(opcua, list(blocks), seconds) as client,
    ):
        say(viewers, f"open {VIEWERS} packed")
        yield {
            "client of OPC UA": client,
            "poller of registers": poller,
            "ten viewers": viewers,
            "host of Sparkplug": host,
        }


@contextmanager
def _client(port: int, tags: list[str], seconds: float) -> Iterator[Talking]:
    """Subscribed; it counts from the word `begin` on."""
    environment = {"NODE_PATH": str(_ROOT / ".venv" / "node" / "node_modules")}
    program = str(_ROOT / "tests" / "node" / "opcua_age.js")
    arguments = [f"opc.tcp://127.0.0.1:{port}", ",".join(tags), f"{seconds:g}", ",".join(_FIGURES), "begin"]
    with python(program, *arguments, program="node", environment=environment) as client:
        _line_of(client, "subscribed")
        yield client


def _line_of(client: Talking, begin: str) -> str:
    """The next one that begins so: the library says things of its own between."""
    assert client.stdout is not None
    for line in client.stdout:
        if line.startswith(begin):
            return line
    raise RuntimeError("the client of OPC UA ended early; does `make .venv/.node` have what it needs?")


def _begin(guests: Mapping[str, Talking]) -> None:
    say(guests["ten viewers"], "begin")
    say(guests["host of Sparkplug"], "begin", answered=False)
    say(guests["client of OPC UA"], "begin", answered=False)


def _heard(guests: Mapping[str, Talking], seconds: float) -> dict[str, float]:
    """What each had of it."""
    viewers = json.loads(say(guests["ten viewers"], "end"))
    host = json.loads(say(guests["host of Sparkplug"], "end"))
    poller = json.loads(say(guests["poller of registers"], "end"))
    values = json.loads(_line_of(guests["client of OPC UA"], "{"))
    return {
        "value to client of OPC UA, ms, p50": 1e3 * values["p50"],
        "value to client of OPC UA, ms, p99": 1e3 * values["p99"],
        "values of OPC UA a second": values["values"] / seconds,
        **_ages("sheet to viewer", viewers["ages_s"]),
        "Sparkplug messages a second": sum(host.values()) / seconds,
        "register answers, all the while": poller["answers"],
        "of which contradict themselves": poller["all_wrong"],
    }


def _ages(what: str, ages_s: list[float]) -> dict[str, float]:
    ages = sorted(ages_s)
    return {f"{what}, ms, p50": 1e3 * median(ages), f"{what}, ms, p99": 1e3 * ages[int(len(ages) * 0.99)]}


def _server_of(process: psutil.Process) -> psutil.Process:
    (found,) = [each for each in process.children() if "gateway.opcua_process" in each.cmdline()]
    return found


def _busy_s(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system)


def _told(found: Mapping[bool, list[dict[str, float]]], seconds: float) -> dict[str, object]:
    names = list(found[False][0]) + [name for name in found[True][0] if name not in found[False][0]]
    table = []
    for name in names:
        without, on = ([each[name] for each in found[all_on] if name in each] for all_on in (False, True))
        verdict = ("yes" if median(on) <= max(without) else "no") if name.startswith(_HELD) else ""
        table.append([name, _spread(without), _spread(on), verdict])
    return {
        "title": f"All of it on: {TANKS} tanks every {PERIOD_S:g} s, {ROUNDS} gateways each in turn, {seconds:g} s",
        "columns": ["median (lowest .. highest)", "without", "with all of it", "within the spread"],
        "table": table,
        "rows": {"without": found[False], "with": found[True]},
    }


def _spread(values: list[float]) -> str:
    if not values:
        return ""
    return f"{_short(median(values))} ({_short(min(values))} .. {_short(max(values))})"


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:,.0f}"
