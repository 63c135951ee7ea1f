"""A disk that fills and is made read-only: a file system of its own for root; for others what they can do to a process
and a folder of theirs, which SQLite and the gateway meet at the same calls."""

import os
import resource
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = ["SmallDisk", "small_disk"]


class SmallDisk:
    """Mounted on a folder."""

    def __init__(self, folder: Path, megabytes: int) -> None:
        self.folder = folder
        self._megabytes = megabytes
        self._filler = folder / "filler"
        self._mounted = os.geteuid() == 0
        if self._mounted:
            self._mount("-t", "tmpfs", "-o", f"size={megabytes}m", "none")

    def fill(self, pid: int | None = None) -> None:
        """Not a byte more goes onto it: for a user, none beyond what the files of a process have already."""
        if not self._mounted:
            assert pid is not None
            largest = max((each.stat().st_size for each in self.folder.iterdir()), default=0)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (largest, resource.RLIM_INFINITY))
            return
        with self._filler.open("ab", buffering=0) as file, suppress(OSError):
            while True:
                file.write(bytes(4096))

    def make_room(self, pid: int | None = None) -> None:
        if not self._mounted:
            assert pid is not None
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        self._filler.unlink(missing_ok=True)

    def make_read_only(self) -> None:
        """Nobody may have a file of it open for writing."""
        if self._mounted:
            self._mount("-o", "remount,ro")
        else:
            for each in (*self.folder.iterdir(), self.folder):
                each.chmod(0o500)

    def make_writable(self) -> None:
        if self._mounted:
            self._mount("-o", "remount,rw")
        else:
            for each in (self.folder, *self.folder.iterdir()):
                each.chmod(0o700)

    def close(self) -> None:
        if self._mounted:
            with suppress(subprocess.CalledProcessError):
                subprocess.run(["umount", "-l", str(self.folder)], check=True)

    def _mount(self, *options: str) -> None:
        subprocess.run(["mount", *options, str(self.folder)], check=True)


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[SmallDisk]:
    disk = SmallDisk(folder, megabytes)
    try:
        yield disk
    finally:
        disk.close()
