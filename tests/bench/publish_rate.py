"""Retained messages a second to mosquitto, QoS 1, twenty in flight: our connection beside aiomqtt on one server."""

import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.bench.interleaved import compare
from tests.bench.mqtt_clients import PAYLOAD, WINDOW
from tests.support.mosquitto import Mosquitto

__all__ = ["BASELINE", "measure"]

BASELINE = "aiomqtt"
CLIENTS = {"aiomqtt": "aiomqtt", "ours, on paho's own callbacks": "ours"}


def measure(*, long: bool) -> dict[str, object]:
    messages = 50_000 if long else 10_000
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder), verbose=False) as server:
        contenders: dict[str, Callable[[], tuple[float, float]]] = {
            name: partial(_run, messages, kind, server.port) for name, kind in CLIENTS.items()
        }
        found = compare(contenders, baseline=BASELINE, rounds=9 if long else 5)
    return {
        "title": f"MQTT: retained messages of {len(PAYLOAD):,} B, QoS 1, {WINDOW} in flight",
        "unit": "messages/s",
        "baseline": BASELINE,
        "rows": [contender.row() for contender in found],
    }


def _run(messages: int, kind: str, port: int) -> tuple[float, float]:
    """A client in a process of its own."""
    command = [sys.executable, "-m", "tests.bench.mqtt_clients", kind, str(port), str(messages)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=600)
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed: {done.stderr}")
    wall_s, cpu_s = map(float, done.stdout.split())
    return messages / wall_s, cpu_s / messages * 1e6
