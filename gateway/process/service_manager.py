"""What the service manager is told of this process: ready, alive, stopping. The protocol of sd_notify(3), by itself.

A datagram of lines to the socket that NOTIFY_SOCKET names, a path or a name in the abstract space; where there is no
such variable, nobody wants to know.
"""

import os
import socket
from collections.abc import Mapping
from contextlib import suppress

__all__ = ["ServiceManager"]

_PATIENCE_S = 1.0
"""Longest the first and the last word wait for room."""


class ServiceManager:
    """`watchdog_s` is how long it goes without a sign of life before it ends the process; None: it does not."""

    def __init__(self, address: str | None = None, watchdog_s: float | None = None) -> None:
        self.watchdog_s = watchdog_s
        self._address = None if address is None else _socket_address(address)
        self._socket: socket.socket | None = None
        if self._address is not None:
            # Held from the start, so that it is there when descriptors are not. Not connected: it may be made anew.
            with suppress(OSError):
                self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)

    @classmethod
    def of_this_process(cls, environment: Mapping[str, str] = os.environ) -> "ServiceManager":
        """As the environment has it."""
        return cls(environment.get("NOTIFY_SOCKET") or None, _watchdog_s(environment))

    @property
    def listens(self) -> bool:
        return self._socket is not None

    def ready(self, status: str) -> None:
        """Once all is set up. `status` is one line for people."""
        self._send(f"READY=1\nSTATUS={status}", _PATIENCE_S)

    def alive(self, status: str) -> None:
        """A sign of life; to be given at half the time of the watchdog at the latest."""
        self._send(f"WATCHDOG=1\nSTATUS={status}")

    def unwell(self, status: str) -> None:
        """Instead of a sign of life: why there is none."""
        self._send(f"STATUS={status}")

    def stopping(self) -> None:
        self._send("STOPPING=1\nSTATUS=stopping", _PATIENCE_S)

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()

    def _send(self, text: str, patience_s: float = 0.0) -> None:
        """A manager that does not listen is its own affair: nothing here may fail for it."""
        if self._socket is None or self._address is None:
            return
        with suppress(OSError):
            self._socket.settimeout(patience_s)
            self._socket.sendto(text.encode("utf-8", errors="replace"), self._address)


def _socket_address(text: str) -> str | None:
    """A path, or in the abstract space a name that begins with NUL. Other kinds, such as vsock, are not for us."""
    if text.startswith("@"):
        return "\0" + text[1:]
    return text if text.startswith("/") else None


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """WATCHDOG_USEC, where it is meant for this process: sd_watchdog_enabled(3)."""
    if environment.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    text = environment.get("WATCHDOG_USEC", "")
    return int(text) / 1e6 if text.isascii() and text.isdigit() and int(text) > 0 else None
