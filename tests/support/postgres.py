"""A real PostgreSQL server for the tests: on a free port of 127.0.0.1, stopped, frozen and restarted at will."""

import os
import shutil
import signal
import subprocess
from collections.abc import Mapping
from pathlib import Path
from tempfile import mkdtemp
from types import TracebackType
from typing import Any, Self

import psutil

from gateway.delivery.postgresql.plan import PostgresqlPlan
from tests.support.mosquitto import free_port

__all__ = ["PASSWORD", "USER", "Postgres", "postgresql_plan"]

USER = "keeper"
PASSWORD = "seven tanks"
_STARTED_S = 20.0
_NOBODY = 65534
"""The server refuses to be run by root."""


def _program(name: str) -> str:
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda path: int(path.parts[4]))
    program = str(found[-1]) if found else shutil.which(name)
    if program is None:
        raise RuntimeError(f"there is no {name}: run .ci/system-packages")
    return program


class Postgres:
    """A cluster of its own with a superuser and no other database than `postgres`."""

    def __init__(self, *, settings: Mapping[str, str] | None = None) -> None:
        self.port = free_port()
        self._folder = Path(mkdtemp(prefix="pg-"))
        self._as = {"user": _NOBODY, "group": _NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}
        self.settings = {"fsync": "off", "max_connections": "30", "shared_buffers": "16MB", **(settings or {})}
        self._process: subprocess.Popen[bytes] | None = None
        password = self._folder / "password"
        password.write_text(PASSWORD)
        if self._as:
            os.chown(self._folder, _NOBODY, _NOBODY)
            os.chown(password, _NOBODY, _NOBODY)
        self._run(
            _program("initdb"),
            *("-D", str(self._folder / "data"), "-U", USER, f"--pwfile={password}", "--auth=scram-sha-256"),
            *("--encoding=UTF8", "--locale=C", "--no-sync", "--no-instructions"),
        )

    @property
    def data(self) -> Path:
        return self._folder / "data"

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = [f"-c{key}={value}" for key, value in self.settings.items()]
        places = [f"-cport={self.port}", "-clisten_addresses=127.0.0.1", "-cunix_socket_directories="]
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [_program("postgres"), "-D", str(self.data), *places, *options],
                stdout=log,
                stderr=log,
                cwd=self._folder,
                **self._as,  # type: ignore[call-overload]
            )
        for _ in range(round(_STARTED_S / 0.05)):
            ready = subprocess.run([_program("pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)], check=False)
            if ready.returncode == 0:
                return
            try:
                self._process.wait(0.05)
            except subprocess.TimeoutExpired:
                continue
            break
        raise RuntimeError(f"PostgreSQL did not start on port {self.port}:\n{self.log()}")

    def kill(self) -> None:
        """End all of it without a word to anybody."""
        self._signal(signal.SIGKILL)
        if self._process is not None:
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """Let it hold its connections and do nothing."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def log(self) -> str:
        return (self._folder / "log").read_text("utf-8", errors="replace")

    def psql(self, query: str, database: str = "postgres", *, user: str = USER, password: str = PASSWORD) -> list[str]:
        """What psql, which knows nothing of us, gives: a line for each row, its cells with | between them."""
        done = self.try_psql(query, database, user=user, password=password)
        if done.returncode:
            raise RuntimeError(done.stderr)
        return done.stdout.splitlines()

    def try_psql(
        self, query: str, database: str = "postgres", *, user: str = USER, password: str = PASSWORD
    ) -> "subprocess.CompletedProcess[str]":
        place = ["-h", "127.0.0.1", "-p", str(self.port), "-U", user, "-d", database]
        return subprocess.run(
            ["psql", "-X", "-A", "-t", "-q", "-v", "ON_ERROR_STOP=1", *place, "-c", query],
            env={**os.environ, "PGPASSWORD": password, "PGTZ": "UTC"},
            capture_output=True,
            text=True,
            check=False,
        )

    def database(self, name: str) -> str:
        """A new one, empty."""
        self.psql(f"CREATE DATABASE {name} TEMPLATE template0 ENCODING 'UTF8'")
        return name

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
        shutil.rmtree(self._folder)

    def _signal(self, number: int) -> None:
        """The server's processes are no group of their own: each backend leads one."""
        if self._process is None:
            return
        try:
            top = psutil.Process(self._process.pid)
            for process in [top, *top.children(recursive=True)]:
                process.send_signal(number)
        except psutil.NoSuchProcess:
            return

    def _run(self, *command: str) -> None:
        done = subprocess.run(command, cwd=self._folder, capture_output=True, text=True, check=False, **self._as)  # type: ignore[call-overload]
        if done.returncode:
            raise RuntimeError(f"{command[0]} failed:\n{done.stderr}")


def postgresql_plan(server: Postgres, folder: Path, **changes: Any) -> PostgresqlPlan:
    """A plan that is quick to try again."""
    file = folder / "password"
    if not file.exists():
        file.write_text(PASSWORD + "\n")
    settled: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": server.port,
        "user_name": USER,
        "password_file": file,
        "gather_s": 0.01,
        "timeout_s": 5.0,
        "backoff_first_s": 0.02,
        "backoff_longest_s": 0.1,
        **changes,
    }
    return PostgresqlPlan(**settled)
