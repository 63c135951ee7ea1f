"""A server at the end of a cable that can be pulled out: in a network namespace of its own, or as a proxy plays it.

In a namespace it is the kernel that loses packets: what is under way goes nowhere, is sent again and again, and what
ends meanwhile cannot say so to the other side. That needs root and `ip`. Only the way there is cut: the server itself,
and whoever reads from it on this machine, feels nothing of it.
"""

import os
import random
import shutil
import socket
import subprocess
import sys
from contextlib import ExitStack

from tests.support.tcp_proxy import TcpProxy

__all__ = ["Cable", "CableOfNamespace", "CableOfProxy", "can_have_namespaces"]

_LISTENING = """
import socket, sys
handed = socket.socket(fileno=int(sys.argv[2]))
with socket.create_server((sys.argv[1], 0)) as listener:
    socket.send_fds(handed, [b"x"], [listener.fileno()])
"""
"""A socket belongs to the namespace in which it was made, whoever has it."""


def can_have_namespaces() -> bool:
    """Whether this machine and its user can."""
    return os.geteuid() == 0 and shutil.which("ip") is not None


class CableOfProxy(TcpProxy):
    """Connections stand, are even made, and nothing goes through either way."""

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    def cut_off(self) -> None:
        self.hold()


class CableOfNamespace(TcpProxy):
    """A pair of network interfaces, the far one in a namespace, where the proxy listens."""

    def __init__(self, server_port: int) -> None:
        number = random.SystemRandom().randrange(1 << 14)
        # Of 198.18.0.0/15, which RFC 2544 sets aside for tests of networks.
        net, last = f"198.18.{number // 64}", number % 64 * 4
        self._far = f"{net}.{last + 2}"
        self._name, near = f"cable-{number}", f"cable{number}"
        self._stack = ExitStack()
        try:
            _ip("netns", "add", self._name)
            self._stack.callback(_ip, "netns", "del", self._name)
            _ip("link", "add", near, "type", "veth", "peer", "name", "far", "netns", self._name)
            # The other end goes with it; the namespace itself would stay for as long as a socket in it lingers.
            self._stack.callback(_ip, "link", "del", near)
            _ip("addr", "add", f"{net}.{last + 1}/30", "dev", near)
            _ip("-n", self._name, "addr", "add", f"{self._far}/30", "dev", "far")
            _ip("link", "set", near, "up")
            _ip("-n", self._name, "link", "set", "far", "up")
            super().__init__(server_port, self._listener_there())
        except BaseException:
            self._stack.close()
            raise

    @property
    def address(self) -> str:
        return f"{self._far}:{self.port}"

    def cut_off(self) -> None:
        """The far end has no carrier any more; its address and what listens there stay."""
        _ip("-n", self._name, "link", "set", "far", "down")

    def mend(self) -> None:
        _ip("-n", self._name, "link", "set", "far", "up")
        super().mend()

    def close(self) -> None:
        super().close()
        self._stack.close()

    def _listener_there(self) -> socket.socket:
        ours, theirs = socket.socketpair()
        with ours, theirs:
            command = ["ip", "netns", "exec", self._name, sys.executable, "-c", _LISTENING, self._far]
            subprocess.run([*command, str(theirs.fileno())], pass_fds=[theirs.fileno()], check=True)
            _, descriptors, _, _ = socket.recv_fds(ours, 1, 1)
        return socket.socket(fileno=descriptors[0])


Cable = CableOfProxy | CableOfNamespace


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True)
