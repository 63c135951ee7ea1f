"""The processes around a bench: simulated tanks, the gateway itself, and the subscriber that judges it from outside."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType

import psutil

__all__ = ["Talking", "gateway", "listener_at", "poller_at", "process_of", "python", "say", "simulators", "until_good"]

Talking = subprocess.Popen[str]
"""A process that reads words from its standard input and may answer each with a line."""


@contextmanager
def simulators(tanks: int, per_line: int = 50) -> Iterator[tuple[Talking, dict[str, tuple[str, int]]]]:
    """A fleet being served, and the address of each of its lines."""
    with python("-m", "tests.bench.fleet_server", str(tanks), str(per_line)) as process:
        assert process.stdout is not None
        found = json.loads(process.stdout.readline())
        yield process, {name: (host, port) for name, (host, port) in found.items()}


@contextmanager
def listener_at(port: int) -> Iterator[Talking]:
    """The subscriber at a broker."""
    with python("-m", "tests.bench.listener", str(port)) as process:
        yield process


@contextmanager
def poller_at(port: int, map_file: Path) -> Iterator[Talking]:
    """The control system at the registers."""
    with python("-m", "tests.bench.register_poller", str(port), str(map_file)) as process:
        yield process


@contextmanager
def gateway(site: Path, log: Path, environment: Mapping[str, str] = MappingProxyType({})) -> Iterator[psutil.Process]:
    """The gateway, as a person runs it. `environment`: what it has beside ours."""
    with log.open("w", encoding="utf-8") as output:
        command, around = [sys.executable, "-m", "gateway", "run", str(site)], {**os.environ, **environment}
        with subprocess.Popen(command, stdout=output, stderr=output, env=around) as process:
            try:
                yield psutil.Process(process.pid)
            except BaseException:
                print(log.read_text("utf-8")[-3000:], file=sys.stderr)
                raise
            finally:
                process.terminate()


def say(process: Talking, words: str, *, answered: bool = True) -> str:
    """Say a line; the line that comes back, where one does."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(words + "\n")
    process.stdin.flush()
    return process.stdout.readline() if answered else ""


def until_good(listener: Talking, tanks: int, patience_s: float, process: psutil.Process) -> None:
    """Wait until the subscriber has had a Good inventory of every tank since it last forgot."""
    deadline = time.monotonic() + patience_s
    while (heard := int(say(listener, "count"))) < tanks:
        if not process.is_running() or process.status() == psutil.STATUS_ZOMBIE:
            raise RuntimeError("the gateway has ended")
        if time.monotonic() > deadline:
            raise RuntimeError(f"after {patience_s:.0f} s only {heard} of {tanks} tanks are Good")
        time.sleep(0.5)


def process_of(talking: Talking) -> psutil.Process:
    return psutil.Process(talking.pid)


@contextmanager
def python(
    *arguments: str, program: str = sys.executable, environment: Mapping[str, str] = MappingProxyType({})
) -> Iterator[Talking]:
    """`program`: another that talks so. `environment`: what it has beside ours."""
    command, around = [program, *arguments], {**os.environ, **environment}
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=around) as process:
        try:
            yield process
        finally:
            process.terminate()
