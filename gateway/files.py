"""The door for files that people name: never more than there should be in them, and a sentence for whatever is wrong.

What is opened is a regular file, so that neither a pipe nor a device can hold up who reads it or go on without end.
"""

import errno
import os
import stat
from pathlib import Path

from gateway.errors import GatewayError

__all__ = ["FileError", "is_readable_by_all", "read_bytes", "read_text", "trouble_with"]

_MEGABYTE = 1_000_000
_MISSING = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG, errno.ELOOP})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM})


class FileError(GatewayError):
    """A file cannot be had. `cause` says in words that follow its name what is wrong with it."""

    def __init__(self, path: Path, cause: str, *, missing: bool = False) -> None:
        self.path = path
        self.cause = cause
        self.missing = missing
        """There is none; else it is there, or nobody here may know."""
        super().__init__(f"{path}: {cause}")


def read_bytes(path: Path, largest_bytes: int) -> bytes:
    """What is in a regular file of at most so many bytes. Raises FileError."""
    try:
        # Without O_NONBLOCK a named pipe would keep this waiting for somebody to write into it.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            _check_kind(path, os.fstat(descriptor).st_mode)
            data = file.read(largest_bytes + 1)
    except (OSError, ValueError) as error:  # ValueError: a name with a NUL in it
        raise _refusal(path, error) from error
    if len(data) > largest_bytes:
        raise FileError(path, f"is larger than {_size(largest_bytes)}, and no file of its kind needs to be")
    return data


def read_text(path: Path, largest_bytes: int) -> str:
    """The same as text, which is UTF-8 with a byte order mark or without. Raises FileError."""
    data = read_bytes(path, largest_bytes)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # The error itself quotes the bytes, which may be a secret: it does not travel on.
        where = error.start
    raise FileError(path, f"is not UTF-8 text (byte {where}); save it as UTF-8")


def trouble_with(path: Path) -> FileError | None:
    """What would keep `path` from being read, as far as can be told without reading it; None when nothing does."""
    try:
        _check_kind(path, os.stat(path).st_mode)
        if not os.access(path, os.R_OK, effective_ids=True):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    except FileError as error:
        return error
    except (OSError, ValueError) as error:
        return _refusal(path, error)
    return None


def is_readable_by_all(path: Path) -> bool:
    """Whether every user of this machine may read the file, as far as its own mode goes; False where there is none."""
    try:
        return bool(os.stat(path).st_mode & stat.S_IROTH)
    except (OSError, ValueError):
        return False


def _check_kind(path: Path, mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(mode):
        raise FileError(path, "cannot be read: it is no regular file")


def _refusal(path: Path, error: OSError | ValueError) -> FileError:
    code = error.errno if isinstance(error, OSError) else None
    if code in _FORBIDDEN:
        return FileError(path, "may not be read by this user")
    missing = code is None or code in _MISSING  # no code: a name that no file can have
    words = os.strerror(errno.ENOENT if code is None else code)
    return FileError(path, f"cannot be read: {words}", missing=missing)


def _size(size_bytes: int) -> str:
    return f"{size_bytes / _MEGABYTE:g} MB" if size_bytes >= _MEGABYTE else f"{size_bytes / 1000:g} kB"
