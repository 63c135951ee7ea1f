"""The file of users: who may read by name and password. One a line: `NAME HASH`, the hash by argon2id."""

import os
from pathlib import Path

from gateway.errors import GatewayError
from gateway.files import UnreadableError, give_to_owner_of, open_regular

__all__ = ["LARGEST_BYTES", "UsersFileError", "read_users", "write_users"]

LARGEST_BYTES = 200_000
_HASH = "$argon2id$"


class UsersFileError(GatewayError):
    """The file of users cannot be understood. Nobody is let in by it; mending it helps."""


def read_users(file: Path) -> dict[str, str]:
    """Hashes by name. Raises UsersFileError. Blocking."""
    try:
        with open_regular(file) as opened:
            text = opened.read(LARGEST_BYTES).decode("utf-8")
    except (UnreadableError, OSError, UnicodeDecodeError) as error:
        raise UsersFileError(f"{file}: {error}" if str(file) not in str(error) else str(error)) from error
    found: dict[str, str] = {}
    for number, written in enumerate(text.splitlines(), 1):
        if not written.strip() or written.startswith("#"):
            continue
        name, _, kept = written.strip().rpartition(" ")
        if not name or not kept.startswith(_HASH):
            raise UsersFileError(
                f"{file}:{number}: is no name and hash", "`tank-gateway delivery user` writes such a line"
            )
        if name in found:
            raise UsersFileError(f"{file}:{number}: {name} stands there twice", "take one of the two lines out")
        found[name] = kept
    return found


def write_users(file: Path, users: dict[str, str]) -> None:
    """Whole or not at all, for its owner and group alone. Raises OSError."""
    part = file.with_name(file.name + ".part")
    part.unlink(missing_ok=True)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW
    with os.fdopen(os.open(part, flags, 0o640), "w", encoding="utf-8") as opened:
        give_to_owner_of(file.parent, opened.fileno())
        opened.writelines(f"{name} {kept}\n" for name, kept in users.items())
        opened.flush()
        os.fsync(opened.fileno())
    part.replace(file)
