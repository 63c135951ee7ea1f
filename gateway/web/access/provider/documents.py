"""What a provider says about itself (OpenID Connect Discovery 1.0), its keys (RFC 7517), its answers."""

from collections.abc import Mapping
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import orjson

from gateway.web.access.provider.faults import AwayError

__all__ = ["Metadata", "is_safe_address", "metadata_from", "object_from"]

_LONGEST_ADDRESS = 2000


class Metadata(NamedTuple):
    """Where its ends are. All of them https."""

    authorization: str
    token: str
    keys: str
    person: str | None
    """Where it tells more of who has signed in (userinfo)."""
    takes_basic: bool
    """Whether a secret may go in the header Authorization, as it may unless the provider says otherwise."""
    says_issuer: bool
    """Whether each answer through the browser names who gave it (RFC 9207)."""
    out: str | None
    """Where a browser ends its session there (OpenID Connect RP-Initiated Logout 1.0)."""


def object_from(body: bytes, what: str) -> dict[str, Any]:
    """Raises AwayError."""
    try:
        document = orjson.loads(body)
    except ValueError as exc:
        raise AwayError(f"{what} is no JSON") from exc
    if not isinstance(document, dict):
        raise AwayError(f"{what} is no JSON object")
    return document


def metadata_from(document: Mapping[str, Any], issuer: str) -> Metadata:
    """Raises AwayError."""
    said = document.get("issuer")
    if said != issuer:
        # Exactly, to the last slash: by anything less one provider could speak for another (section 4.3).
        raise AwayError(f"the provider calls itself {said!r:.200}, and the site file {issuer!r}")
    out = document.get("end_session_endpoint")
    methods = document.get("token_endpoint_auth_methods_supported")
    return Metadata(
        _address(document, "authorization_endpoint"),
        _address(document, "token_endpoint"),
        _address(document, "jwks_uri"),
        _address(document, "userinfo_endpoint") if "userinfo_endpoint" in document else None,
        not isinstance(methods, list) or "client_secret_basic" in methods or "client_secret_post" not in methods,
        document.get("authorization_response_iss_parameter_supported") is True,
        # Nobody is kept from signing in by an address that is for signing out.
        out if isinstance(out, str) and is_safe_address(out) else None,
    )


def _address(document: Mapping[str, Any], key: str) -> str:
    value = document.get(key)
    if not isinstance(value, str) or not is_safe_address(value):
        raise AwayError(f"the provider gives {key} as {value!r:.200}, which is no https address")
    return value


def is_safe_address(text: str) -> bool:
    """Whether a browser, or we, may be sent there."""
    if len(text) > _LONGEST_ADDRESS or not text.isascii() or not text.isprintable() or set(' "<>\\^`{|}#') & set(text):
        return False
    try:
        parts = urlsplit(text)
        return parts.scheme == "https" and bool(parts.hostname) and parts.port != 0 and "@" not in parts.netloc
    except ValueError:
        return False
