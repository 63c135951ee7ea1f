"""One-time codes: 128 bits for a person to type, of which only a hash is kept."""

import hashlib
import secrets

__all__ = ["code_key", "new_code"]

_DIGITS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Crockford's base 32: no letter that is read for another."""
_READ_AS = str.maketrans("OIL", "011", " -\t\r\n")
_BITS = 128
_LENGTH = 26
_GROUP = 5


def new_code() -> str:
    """In groups, as it is shown."""
    number = secrets.randbits(_BITS)
    text = "".join(_DIGITS[number >> (5 * place) & 31] for place in reversed(range(_LENGTH)))
    return "-".join([*(text[at : at + _GROUP] for at in range(0, _LENGTH - 6, _GROUP)), text[-6:]])


def code_key(typed: str) -> str:
    """What is kept of a code and looked for: its hash, however it was typed. With 128 bits it needs no slow one."""
    return hashlib.sha256(typed.upper().translate(_READ_AS).encode("utf-8", "replace")).hexdigest()
