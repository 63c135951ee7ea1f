"""The cookie of a session: for this host alone, for no script, and sent along by no page of somebody else."""

import hashlib
from functools import lru_cache

__all__ = ["clearing_cookie", "cookie_name", "going_cookie", "going_name", "session_cookie"]


@lru_cache(maxsize=16)
def cookie_name(site: str, *, secure: bool) -> str:
    """Of its own for each site: a browser sends cookies to every port of a host, and several gateways may be on one.

    Over TLS its name binds it to this host and to TLS (RFC 6265bis, `__Host-`).
    """
    own = f"tank-gateway-{hashlib.sha256(site.encode()).hexdigest()[:8]}"
    return f"__Host-{own}" if secure else own


def session_cookie(site: str, token: str, lasts_s: float, *, secure: bool) -> str:
    """The header Set-Cookie."""
    rest = "; Secure" if secure else ""
    name = cookie_name(site, secure=secure)
    return f"{name}={token}; Path=/; Max-Age={int(lasts_s)}; HttpOnly; SameSite=Strict{rest}"


def going_name(site: str, *, secure: bool) -> str:
    return f"{cookie_name(site, secure=secure)}-going"


def going_cookie(site: str, token: str, lasts_s: float, *, secure: bool) -> str:
    """Of a browser that is away at a provider: what it comes back with counts from this browser alone.

    Strict as well: our own page shows it, once it is here again, and no other's request has it.
    """
    rest = "; Secure" if secure else ""
    name = going_name(site, secure=secure)
    return f"{name}={token}; Path=/; Max-Age={int(lasts_s)}; HttpOnly; SameSite=Strict{rest}"


def clearing_cookie(site: str, *, secure: bool) -> str:
    return session_cookie(site, "", 0.0, secure=secure)
