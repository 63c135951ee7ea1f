"""Files that a command writes: wholly or not at all, and never in the place of another."""

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import NamedTemporaryFile

from gateway.errors import GatewayError, UsageError
from gateway.files import sync_folder

__all__ = ["new_file", "write_new_file"]

_ORDINARY = 0o666


def write_new_file(path: Path, pieces: Iterable[bytes], why_new: str) -> None:
    """Write a file that must not exist yet. Raises UsageError where it does, GatewayError where it cannot be written.

    `why_new`: what follows "choose a new name;".
    """
    with new_file(path, why_new) as unfinished, unfinished.open("wb") as file:
        file.writelines(pieces)


@contextmanager
def new_file(path: Path, why_new: str, mode: int = _ORDINARY) -> Iterator[Path]:
    """An empty file beside it, to be written by the block; it gets the name when that is done. Raises likewise."""
    try:
        if path.exists():
            raise _exists(path, why_new)
        with NamedTemporaryFile(dir=path.parent, prefix=f"{path.name}.", suffix=".unfinished", delete=False) as made:
            unfinished = Path(made.name)
        try:
            yield unfinished
            with unfinished.open("rb") as file:
                os.fsync(file.fileno())
            os.chmod(unfinished, mode & ~_umask())
            # A link refuses to take the place of a file that has come meanwhile, which a rename would not.
            os.link(unfinished, path)
            sync_folder(path.parent)
        finally:
            with suppress(FileNotFoundError):
                os.unlink(unfinished)
    except FileExistsError as error:
        raise _exists(path, why_new) from error
    except OSError as error:
        raise GatewayError(f"{path} cannot be written: {error.strerror or error}") from error


def _umask() -> int:
    """What the system takes off for this process: to be read only by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _exists(path: Path, why_new: str) -> UsageError:
    return UsageError(f"--out: '{path}' exists already", f"choose a new name; {why_new}")
