"""A real MQTT server for the tests: mosquitto on a free port of 127.0.0.1, stopped, frozen and restarted at will."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

__all__ = ["Mosquitto", "free_port"]

_STARTED_S = 10.0


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """The server. Without persistence: a restart forgets what was retained."""

    def __init__(
        self,
        folder: Path,
        *,
        port: int | None = None,
        options: Sequence[str] = ("allow_anonymous true",),
        verbose: bool = True,
    ):
        """`verbose`: its log has a line for every packet."""
        self._verbose = verbose
        self.port = free_port() if port is None else port
        self._folder = folder
        self._config = folder / "mosquitto.conf"
        # Started by root it would become another user, who may not read the files of the test.
        user = pwd.getpwuid(os.getuid()).pw_name
        lines = (f"user {user}", f"listener {self.port} 127.0.0.1", *options, "")
        self._config.write_text("\n".join(lines), encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it accepts connections."""
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        with (self._folder / "mosquitto.log").open("ab") as log:
            command = [program, "-c", str(self._config), *(["-v"] if self._verbose else [])]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)
        attempts = 0
        while True:
            with socket.socket() as probe:
                probe.settimeout(_STARTED_S)
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            attempts += 1
            try:
                self._process.wait(0.02)
            except subprocess.TimeoutExpired:
                if attempts * 0.02 < _STARTED_S:
                    continue
            raise RuntimeError(f"mosquitto did not start on port {self.port}:\n{self.log()}")

    def kill(self) -> None:
        """End it without a word to anybody."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        """Let it end in good order: with persistence it writes down what it has."""
        self._signal(signal.SIGTERM)
        assert self._process is not None
        self._process.wait(_STARTED_S)
        self._process = None

    def freeze(self) -> None:
        """Let it hold its connections and do nothing."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def reload(self) -> None:
        """Read the rules of access again."""
        self._signal(signal.SIGHUP)

    def save(self) -> None:
        """Write what it keeps to the disk, where it has persistence."""
        self._signal(signal.SIGUSR1)

    def log(self) -> str:
        return (self._folder / "mosquitto.log").read_text(encoding="utf-8", errors="replace")

    def _signal(self, number: int) -> None:
        assert self._process is not None
        os.kill(self._process.pid, number)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
