"""At which ports of the network a process listens, as the system itself has it and not as anybody has meant it."""

import os
import socket
import struct
from pathlib import Path
from typing import NamedTuple

__all__ = ["ListeningPort", "listening_ports"]

_LISTENS = "0A"
_FAMILIES = (("tcp", socket.AF_INET, 4), ("tcp6", socket.AF_INET6, 16))


class ListeningPort(NamedTuple):
    address: str
    """`0.0.0.0` and `::`: at every address of the machine."""
    port: int


def listening_ports(process: int | None = None) -> tuple[ListeningPort, ...]:
    """Of a process, this one unless given, and of those that it has begun. TCP: what listens here speaks nothing else.

    Blocks for a moment. Raises OSError where the system does not say.
    """
    sockets: set[str] = set()
    for each in _with_children(os.getpid() if process is None else process):
        sockets |= _sockets(each)
    found: set[ListeningPort] = set()
    for name, family, size in _FAMILIES:
        table = Path("/proc/self/net") / name
        # A machine without IPv6 has no table of it.
        if name == "tcp6" and not table.exists():
            continue
        for line in table.read_text("ascii").splitlines()[1:]:
            fields = line.split()
            if fields[3] == _LISTENS and fields[9] in sockets:
                address, _, port = fields[1].partition(":")
                found.add(ListeningPort(socket.inet_ntop(family, _in_order(address, size)), int(port, 16)))
    return tuple(sorted(found, key=lambda each: (each.port, each.address)))


def _in_order(text: str, size: int) -> bytes:
    """An address as the kernel prints it: words of 32 bits in the machine's own order."""
    words = [int(text[start : start + 8], 16) for start in range(0, size * 2, 8)]
    return struct.pack(f"={len(words)}I", *words)


def _with_children(process: int) -> list[int]:
    found, place = [process], 0
    while place < len(found):
        files = list(Path(f"/proc/{found[place]}/task").glob("*/children"))
        if not files and place == 0:
            # A kernel without them: what others listen with for it would be missing without a sign.
            raise OSError("the system does not tell what a process has begun")
        for children in files:
            try:
                found += [int(each) for each in children.read_text("ascii").split()]
            except (FileNotFoundError, ProcessLookupError):
                # It has ended meanwhile.
                continue
        place += 1
    return found


def _sockets(process: int) -> set[str]:
    """Their inodes."""
    folder = f"/proc/{process}/fd"
    found = set()
    try:
        names = os.listdir(folder)
    except (FileNotFoundError, ProcessLookupError):
        # It has ended meanwhile. What may not be looked into is told as an error: it may listen.
        return set()
    for name in names:
        try:
            target = os.readlink(f"{folder}/{name}")
        except OSError:
            continue
        if target.startswith("socket:["):
            found.add(target[len("socket:[") : -1])
    return found
