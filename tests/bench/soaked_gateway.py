"""The gateway of the soak: a process that is stopped, killed and begun anew, and whose log is read or left alone."""

import fcntl
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import psutil

from gateway.process.running import DIRECTORY_VARIABLE

__all__ = ["Counts", "SoakedGateway"]

_SMALL_PIPE = 4096
"""Of the log: soon full when nobody reads."""
LOGS = {"read": 0.7, "full": 0.15, "gone": 0.15}
"""What becomes of a log, and how often: a pipe that is read or left alone for a while; a full disk; a closed pipe."""
LIMITS = {1024: 0.7, 100: 0.3}
"""Descriptors that the process may have, and how often: more than it needs, fewer than HTTP would like."""
_ENDS_WITHIN_S = 60.0
"""It ends itself in ten, with another exit status where it could not; the rest is for a machine that is busy."""


class Counts(NamedTuple):
    """What may not grow. `memory` in MB."""

    memory: float
    tasks: float
    descriptors: float
    threads: float


class SoakedGateway:
    """One gateway after another of the same site, with one log of all. `options`: of `tank-gateway run`."""

    def __init__(self, site: Path, folder: Path, *options: str) -> None:
        self._site = site
        self._options = options
        # As if alone on a machine of its own, whatever else is watched here.
        self._environment = {**os.environ, DIRECTORY_VARIABLE: str(folder / "runtime")}
        self._tasks = folder / "tasks"
        self._log = folder / "gateway.log"
        self._log.touch()
        self._process: subprocess.Popen[bytes] | None = None
        self._reading: threading.Thread | None = None
        self._may_read = threading.Event()
        self._may_read.set()
        self.boots = 0
        self.alive_until: float | None = None
        """When it was last seen to run, as time.time() gives; None while it does."""
        self.wrong: list[str] = []

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8", errors="replace")

    @property
    def process(self) -> psutil.Process:
        assert self._process is not None
        return psutil.Process(self._process.pid)

    def start(self, chance: random.Random) -> str:
        """What was chosen for it, in words."""
        log = chance.choices(list(LOGS), list(LOGS.values()))[0]
        limit = chance.choices(list(LIMITS), list(LIMITS.values()))[0]
        self.start_with(log, limit)
        return f"log {log}, {limit} descriptors"

    def start_with(self, log: str, limit: int) -> None:
        assert self._process is None
        self._tasks.unlink(missing_ok=True)
        program = [sys.executable, "-m", "tests.bench.counted_gateway", str(self._tasks)]
        command = [*program, str(self._site), *self._options]
        with self._log_of(log) as writing:
            self._process = subprocess.Popen(
                ["/bin/sh", "-c", f'ulimit -n {limit}; exec "$@"', "sh", *command],
                stdout=subprocess.DEVNULL,
                stderr=writing,
                env=self._environment,
            )
        self.boots += 1
        self.alive_until = None

    @contextmanager
    def _log_of(self, kind: str) -> Iterator[int]:
        """The descriptor to write to, until the process has it."""
        self._reading = None
        if kind == "full":
            writing = os.open("/dev/full", os.O_WRONLY)
        else:
            reading, writing = os.pipe()
            fcntl.fcntl(writing, fcntl.F_SETPIPE_SZ, _SMALL_PIPE)
            if kind == "read":
                self._reading = threading.Thread(target=self._read, args=(reading,), daemon=True)
                self._reading.start()
            else:
                os.close(reading)
        try:
            yield writing
        finally:
            os.close(writing)

    def check(self) -> None:
        """Raises where it has ended by itself."""
        if self._process is not None and (code := self._process.poll()) is not None:
            raise RuntimeError(f"the gateway ended by itself with {code}:\n{self.log[-3000:]}")

    def kill(self) -> None:
        """If it runs; whatever it had come to."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def end(self, number: signal.Signals, expected: int) -> None:
        """By a signal that ends it; its exit status is noted where it is another than expected."""
        assert self._process is not None
        self.check()
        self._process.send_signal(number)
        try:
            code = self._process.wait(_ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.wrong.append(f"{number.name} had not ended it after {_ENDS_WITHIN_S:g} s")
            self._process.kill()
            self._process.wait()
        else:
            if code != expected:
                self.wrong.append(f"after {number.name} its exit status was {code} and not {expected}")
        self.alive_until = time.time()
        self._process = None
        self._may_read.set()
        if self._reading is not None:
            self._reading.join()

    def signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    @contextmanager
    def standing_still(self) -> Iterator[None]:
        assert self._process is not None
        self.signal(signal.SIGSTOP)
        os.waitid(os.P_PID, self._process.pid, os.WSTOPPED)
        self.alive_until = time.time()
        try:
            yield
        finally:
            self.signal(signal.SIGCONT)
            self.alive_until = None

    @contextmanager
    def log_unread(self) -> Iterator[None]:
        self._may_read.clear()
        try:
            yield
        finally:
            self._may_read.set()

    def counts(self) -> Counts:
        process = self.process
        tasks = int(self._tasks.read_text("utf-8") or 0)
        return Counts(process.memory_info().rss / 2**20, tasks, process.num_fds(), process.num_threads())

    def _read(self, reading: int) -> None:
        with open(reading, "rb", buffering=0) as pipe, self._log.open("ab", buffering=0) as log:
            while self._may_read.wait() and (some := pipe.read(_SMALL_PIPE)):
                log.write(some)
