"""History to mosquitto: entries a second while a backlog is drained, and how long live records take meanwhile.

The delivery runs on its own loop in a process of its own, on a broker that has a reader of everything; live records
come at the rate of 200 tanks a second. Beside it the same without a backlog.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.support.mosquitto import Mosquitto

__all__ = ["measure"]

ENTRIES = 10_000


def measure(*, long: bool) -> dict[str, object]:
    entries = 5 * ENTRIES if long else ENTRIES
    rows = []
    for protocol in ("3.1.1", "5"):
        for name, backlog in (("live alone", 0), (f"with {entries:,} behind", entries)):
            found = _run(protocol, backlog, seconds=10.0 if long else 4.0)
            rate = f"{found['drained_per_s']:,.0f}" if backlog else "-"
            rows.append(
                [
                    f"MQTT {protocol}, {name}",
                    rate,
                    f"{found['live_median_ms']:.2f}",
                    f"{found['live_p99_ms']:.2f}",
                    f"{found['live']:,}",
                    f"{found['cpu_us']:.0f}",
                ]
            )
    return {
        "title": "MQTT: history drained beside 200 live records a second; live: from offered to acknowledged",
        "columns": ["", "entries/s", "live median ms", "live p99 ms", "live records", "cpu us a message"],
        "table": rows,
    }


def _run(protocol: str, backlog: int, seconds: float) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder, Mosquitto(Path(folder), verbose=False) as server:
        reader = subprocess.Popen(
            ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(server.port), "-t", "tanks/#", "-q", "0", "-F", "%t"],
            stdout=subprocess.DEVNULL,
        )
        try:
            command = [sys.executable, "-m", "tests.bench.history_client", protocol, str(server.port), str(backlog)]
            done = subprocess.run([*command, str(seconds)], capture_output=True, text=True, timeout=300)
        finally:
            reader.kill()
            reader.wait()
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed: {done.stderr}")
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found
