"""What a browser has while it is away at the provider, and what follows from it.

Nothing is kept here for those who have gone and may never come back: state, nonce and the verifier of PKCE follow from
what their cookie has and from a secret of this process, so that nobody can fill anything by beginning often.
"""

import base64
import hmac
import secrets
from typing import NamedTuple

__all__ = ["GOING_S", "Going", "going_from", "new_going"]

GOING_S = 600.0
"""Longest that somebody may take to type a password there."""
_LONGEST = 120


class Going(NamedTuple):
    """One sign-in that has begun. `begun`: UTC, seconds since the epoch."""

    token: str
    """What the cookie has."""
    state: str
    nonce: str
    verifier: str
    """43 characters, 256 bits (RFC 7636, section 4.1)."""
    begun: float


def new_going(secret: bytes, mark: str, now: float) -> Going:
    """`mark`: of the provider; what was begun with another one comes to nothing."""
    return _going(secret, mark, f"{int(now)}.{secrets.token_urlsafe(32)}")


def going_from(secret: bytes, mark: str, token: str, now: float) -> Going | None:
    """By a cookie; None: none that was made here, for this provider, within the last minutes."""
    body, _, mac = token.rpartition(".")
    if len(token) > _LONGEST or not hmac.compare_digest(mac.encode("utf-8", "replace"), _made(secret, mark, body, "m")):
        return None
    going = _going(secret, mark, body)
    return going if 0.0 <= now - going.begun < GOING_S else None


def _going(secret: bytes, mark: str, body: str) -> Going:
    mac, state, nonce, verifier = (_made(secret, mark, body, what).decode() for what in "msnv")
    return Going(f"{body}.{mac}", state, nonce, verifier, float(body.partition(".")[0]))


def _made(secret: bytes, mark: str, body: str, what: str) -> bytes:
    made = hmac.digest(secret, f"{what}:{mark}:{body}".encode("utf-8", "replace"), "sha256")
    return base64.urlsafe_b64encode(made).rstrip(b"=")
