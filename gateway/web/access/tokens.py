"""Programs that may read, by a secret that each shows as a bearer token (RFC 6750). They can do nothing."""

import hashlib
import os
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Future

import structlog

from gateway.files import UnreadableError, read_text
from gateway.process.one_thread import OneThread, done_within
from gateway.web.access.plan import TokenPlan

__all__ = ["SHORTEST_TOKEN", "Tokens", "token_trouble"]

TOKEN_UNUSABLE = "access.token_unusable"

SHORTEST_TOKEN = 20
_LARGEST_BYTES = 4_096
_READ_S = 3.0
_AGAIN_S = 60.0
"""So that a secret that was changed counts within a minute."""

Found = tuple[Mapping[str, str], Sequence[tuple[str, str]]]
"""Names by the hashes of secrets, and what is wrong with others: name and words."""


class Tokens:
    """From the loop. Files are read in a thread, which a dead network drive may hold up for ever."""

    def __init__(self, plans: Sequence[TokenPlan]) -> None:
        self._plans = plans
        self._thread = OneThread("tokens")
        self._names: Mapping[str, str] = {}
        self._reading: Future[Found] | None = None
        self._read_after_s = 0.0
        self._told: set[tuple[str, str]] = set()

    async def name_of(self, secret: str) -> str | None:
        """Whose it is; None: nobody's."""
        if not self._plans:
            return None
        if self._reading is None and time.monotonic() >= self._read_after_s:
            self._reading = self._thread.do(lambda: _read(self._plans))
        reading = self._reading
        if reading is not None and await done_within(reading, _READ_S) and reading is self._reading:
            self._reading = None
            self._read_after_s = time.monotonic() + _AGAIN_S
            self._take(reading.result())
        # Found by its hash: how long that takes tells nothing of the secret.
        return self._names.get(_hash(secret))

    def end(self) -> None:
        self._thread.end()

    def _take(self, found: Found) -> None:
        self._names, troubles = found
        for name, trouble in set(troubles) - self._told:
            structlog.get_logger("gateway.access").error(TOKEN_UNUSABLE, token=name, trouble=trouble)
        self._told = set(troubles)


def token_trouble(plan: TokenPlan) -> str | None:
    """Why nothing can be read by this token as it is now; None where it can."""
    return _secret(plan)[1]


def _read(plans: Sequence[TokenPlan]) -> Found:
    names, troubles = {}, []
    for plan in plans:
        secret, trouble = _secret(plan)
        if trouble is not None:
            troubles.append((plan.name, trouble))
        else:
            names[_hash(secret)] = plan.name
    return names, troubles


def _secret(plan: TokenPlan) -> tuple[str, str | None]:
    if plan.secret_file is not None:
        try:
            secret = read_text(plan.secret_file, _LARGEST_BYTES).rstrip("\r\n")
        except UnreadableError as error:
            return "", f"secret file {error}"
        where = str(plan.secret_file)
    else:
        where = f"the environment variable {plan.secret_variable}"
        secret = os.environ.get(plan.secret_variable or "", "")
        if not secret:
            return "", f"{where} is not set"
    if len(secret) < SHORTEST_TOKEN or not secret.isascii() or not secret.isprintable() or " " in secret:
        return "", f"{where} holds no secret of {SHORTEST_TOKEN} characters of ASCII at least, without spaces"
    return secret, None


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
