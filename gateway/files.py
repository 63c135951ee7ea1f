"""The door for files that people name: never more than there should be in them, and a sentence for whatever is wrong.

What is opened is a regular file, so that neither a pipe nor a device can hold up who reads it or go on without end.
"""

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from gateway.errors import GatewayError

__all__ = [
    "UnreadableError",
    "give_to_owner_of",
    "is_readable_by_all",
    "lines_of",
    "open_regular",
    "read_bytes",
    "read_text",
    "replace_whole",
    "sync_folder",
    "text_of",
    "trouble_with",
    "write_all",
    "write_new",
]

_MEGABYTE = 1_000_000
_OWNERS_ALONE = 0o600
_MISSING = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM})
_NOT_REGULAR = "cannot be read: it is no regular file"


def give_to_owner_of(folder: Path, made: int | Path) -> None:
    """What root makes in a folder of the service's, a file that is open or a folder, is the service's too: else it
    could not read it. Raises OSError."""
    if os.geteuid() == 0:
        owner = folder.stat()
        if isinstance(made, int):
            os.fchown(made, owner.st_uid, owner.st_gid)
        else:
            # Not followed: whom the folder belongs to could have put a link in its place meanwhile.
            os.lchown(made, owner.st_uid, owner.st_gid)


class UnreadableError(GatewayError):
    """A file cannot be had. `cause` says in words that follow its name what is wrong with it."""

    def __init__(self, path: Path, cause: str, *, missing: bool = False) -> None:
        self.path = path
        self.cause = cause
        self.missing = missing
        """There is none; else it is there, or nobody here may know."""
        super().__init__(f"{path}: {cause}")

    @property
    def sentence(self) -> str:
        """For the place in a site file that names it."""
        if self.missing:
            return f"there is no file {self.path}; the path counts from the folder of this file"
        return f"{self.path} {self.cause}"


@contextmanager
def open_regular(path: Path) -> Iterator[BinaryIO]:
    """A regular file, to be read while the block runs. Raises UnreadableError, also for what fails in the block."""
    try:
        file = open(path, "rb", opener=_without_waiting)  # noqa: SIM115 (closed below, whatever happens)
    except (OSError, ValueError) as error:  # ValueError: a name with a NUL in it
        raise _refusal(path, error) from error
    with file:
        try:
            _check_kind(path, os.fstat(file.fileno()).st_mode)
            yield file
        except OSError as error:
            raise _refusal(path, error) from error


def read_bytes(path: Path, largest_bytes: int) -> bytes:
    """What is in a regular file of at most so many bytes, all of it of one moment. Raises UnreadableError."""
    with open_regular(path) as file:
        before = os.fstat(file.fileno())
        data: bytes | None = file.read(largest_bytes + 1)
        after = os.fstat(file.fileno())
    if data is None:  # of what only calls itself a regular file, as some of the kernel's own do, and would wait
        raise UnreadableError(path, _NOT_REGULAR)
    if len(data) > largest_bytes:
        raise UnreadableError(path, f"is larger than {_size(largest_bytes)}, and no file of its kind needs to be")
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        # Half of the old and half of the new may well make sense, and another one than either.
        raise UnreadableError(path, "was being written while it was read; try again when it is whole")
    return data


def lines_of(path: Path, longest_bytes: int) -> Iterator[bytes]:
    """Line after line of a regular file of any size, each with its end. Raises UnreadableError."""
    with open_regular(path) as file:
        number = 0
        while line := file.readline(longest_bytes + 1):
            number += 1
            if len(line) > longest_bytes:
                longest = _size(longest_bytes)
                raise UnreadableError(path, f"line {number} is longer than {longest}, and none of its kind needs to be")
            yield line


def read_text(path: Path, largest_bytes: int) -> str:
    """The same as text, which is UTF-8 with a byte order mark or without. Raises UnreadableError."""
    return text_of(path, read_bytes(path, largest_bytes))


def text_of(path: Path, data: bytes) -> str:
    """What `read_text` makes of the bytes of a file. Raises UnreadableError."""
    where = data.find(0)  # no text has it: another encoding, or what a power cut has left
    if where < 0:
        try:
            return data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            # The error itself quotes the bytes, which may be a secret: it does not travel on.
            where = error.start
    raise UnreadableError(path, f"is not UTF-8 text (byte {where}); save it as UTF-8")


def write_new(path: Path, text: str) -> None:
    """Write a file that must not exist yet, wholly or not at all. Raises OSError, FileExistsError where it does."""
    with open(path, "xb", buffering=0) as file:
        try:
            write_all(file.fileno(), text.encode())
            os.fsync(file.fileno())
        except OSError:
            # Half of it may make sense too, and another one.
            os.unlink(path)
            raise


def replace_whole(
    name: str, data: bytes, *, folder: int | None = None, mode: int = _OWNERS_ALONE, owner_of: Path | None = None
) -> None:
    """Put a file in the place of another, on the disk when this returns: a power cut leaves one or the other whole. It
    is its owner's alone unless `mode` says else. Raises OSError; then the other is still there, but for an error in the
    very last step.

    `folder`: the descriptor of a folder that `name` counts from. `owner_of`: the folder of a service, to which it
    belongs then also where root has made it.
    """
    unfinished = f"{name}.unfinished"
    with suppress(FileNotFoundError):
        os.unlink(unfinished, dir_fd=folder)
    # Made anew, so that nothing that somebody has put there leads to another file.
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
    descriptor = os.open(unfinished, flags, _OWNERS_ALONE, dir_fd=folder)
    try:
        try:
            if owner_of is not None:
                give_to_owner_of(owner_of, descriptor)
            write_all(descriptor, data)
            if mode != _OWNERS_ALONE:
                os.fchmod(descriptor, mode)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        os.rename(unfinished, name, src_dir_fd=folder, dst_dir_fd=folder)
    except OSError:
        with suppress(OSError):
            os.unlink(unfinished, dir_fd=folder)
        raise
    if folder is not None:
        os.fsync(folder)
    else:
        sync_folder(Path(name).parent)


def write_all(descriptor: int, data: bytes) -> None:
    """Raises OSError, after a part of it where that is so."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def sync_folder(path: Path) -> None:
    """So that a new name in it outlives a power cut, where the disk can do that; else what was there before does."""
    with suppress(OSError):
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def trouble_with(path: Path) -> UnreadableError | None:
    """What would keep `path` from being read, as far as can be told without reading it; None when nothing does."""
    try:
        _check_kind(path, os.stat(path).st_mode)
        if not os.access(path, os.R_OK, effective_ids=True):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except UnreadableError as error:
        return error
    except (OSError, ValueError) as error:
        return _refusal(path, error)
    return None


def is_readable_by_all(path: Path) -> bool:
    """Whether every user of this machine may read the file, as far as its own mode goes; False where there is none."""
    try:
        mode = os.stat(path).st_mode
        return stat.S_ISREG(mode) and bool(mode & stat.S_IROTH)
    except (OSError, ValueError):
        return False


def _without_waiting(name: str, flags: int) -> int:
    """A named pipe would else keep this waiting for somebody to write into it."""
    return os.open(name, flags | os.O_NONBLOCK)


def _check_kind(path: Path, mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(mode):
        raise UnreadableError(path, _NOT_REGULAR)


def _refusal(path: Path, error: OSError | ValueError) -> UnreadableError:
    code = error.errno if isinstance(error, OSError) else None
    if code in _FORBIDDEN:
        return UnreadableError(path, "may not be read by this user")
    if code == errno.ENXIO:  # a socket
        return UnreadableError(path, _NOT_REGULAR)
    missing = code is None or code in _MISSING  # no code: a name that no file can have
    words = os.strerror(errno.ENOENT if code is None else code)
    return UnreadableError(path, f"cannot be read: {words[0].lower()}{words[1:]}", missing=missing)


def _size(size_bytes: int) -> str:
    return f"{size_bytes / _MEGABYTE:g} MB" if size_bytes >= _MEGABYTE else f"{size_bytes / 1000:g} kB"
