"""What the figures were measured on. No host name: results are kept in the repository."""

import os
import platform
import subprocess
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

__all__ = ["describe"]

LIBRARIES = ("aiomqtt", "orjson", "paho-mqtt", "prometheus-client", "pymodbus", "pydantic", "structlog", "uvloop")


def describe() -> dict[str, Any]:
    return {
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "processor": _processor(),
        "cores": os.cpu_count(),
        "load_before": round(os.getloadavg()[0], 2),
        "nice": os.nice(0),
        "memory_mb": os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2**20,
        "system": f"{platform.system()} {platform.release()}",
        "python": f"{platform.python_implementation()} {platform.python_version()}",
        "gcc": _first_line("gcc", "-dumpfullversion"),
        "libraries": {name: found for name in LIBRARIES if (found := _version(name))},
        "source": _first_line("git", "describe", "--always", "--dirty"),
    }


def _processor() -> str:
    for line in Path("/proc/cpuinfo").read_text("utf-8").splitlines():
        if line.startswith("model name"):
            return line.partition(":")[2].strip()
    return platform.machine()


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def _first_line(*command: str) -> str | None:
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=20)
    except OSError:
        return None
    return done.stdout.strip() or None
