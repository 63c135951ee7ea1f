"""The file of users: who may read by name and password. One a line: `NAME HASH`, the hash by argon2id."""

from pathlib import Path

from gateway.errors import GatewayError
from gateway.files import UnreadableError, open_regular, replace_whole

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
    text = "".join(f"{name} {kept}\n" for name, kept in users.items())
    replace_whole(str(file), text.encode(), mode=0o640, owner_of=file.parent)
