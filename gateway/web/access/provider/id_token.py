"""Whether an ID token is true (OpenID Connect Core 1.0, section 3.1.3.7), and what it says. No clock, no network."""

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import orjson
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import ECKey, OKPKey, RSAKey, import_key
from joserfc.util import urlsafe_b64decode

from gateway.web.access.provider.faults import AwayError, NotTrueError

__all__ = ["ALGORITHMS", "LEEWAY_S", "Keys", "Wanted", "claims_of", "key_id_of", "keys_from"]

ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA", "Ed25519")
"""By a key of which the provider alone has one half: never `none`, and never a secret that we have as well."""
LEEWAY_S = 60.0
"""What the clocks of two machines may differ by."""
_MOST_KEYS = 50
_MOST_TRIED = 4
_MODULUS = range(342, 2_732)
"""Characters of base64 that 2048 to 16384 bits have: less is no key, and more takes for ever."""
_LONGEST_EXPONENT = 8
_LONGEST_SUBJECT = 255
_LARGEST_TOKEN = 65_536
_TIMES = ("exp", "iat", "nbf", "auth_time")

Keys = Sequence[RSAKey | ECKey | OKPKey]


class Wanted(NamedTuple):
    """What the token has to say. `begun`: when the sign-in began, UTC, seconds since the epoch."""

    issuer: str
    client: str
    nonce: str
    begun: float
    asks_each_time: bool


def keys_from(document: Mapping[str, Any]) -> Keys:
    """Those that can be used: others, such as of a kind that is too new, are for somebody else. Raises AwayError."""
    told = document.get("keys")
    if not isinstance(told, list) or len(told) > _MOST_KEYS:
        raise AwayError(f"the provider gives no list of keys, or more than {_MOST_KEYS}")
    return [key for each in told if isinstance(each, dict) and (key := _key(each)) is not None]


def _key(document: dict[str, Any]) -> RSAKey | ECKey | OKPKey | None:
    kid, alg = document.get("kid"), document.get("alg")
    if document.get("use", "sig") != "sig" or not isinstance(kid, str | None) or alg not in (None, *ALGORITHMS):
        return None
    kind = document.get("kty")
    if kind not in ("RSA", "EC", "OKP"):
        return None
    if kind == "RSA" and (
        len(str(document.get("n"))) not in _MODULUS or len(str(document.get("e"))) > _LONGEST_EXPONENT
    ):
        return None
    try:
        key = import_key(document)
    except (JoseError, ValueError, TypeError, KeyError, AttributeError, OverflowError):
        return None
    return key if isinstance(key, RSAKey | ECKey | OKPKey) else None


def key_id_of(token: str) -> str | None:
    """By which key it says that it is signed. Raises NotTrueError for what is no signed token of a kind that counts."""
    if len(token) > _LARGEST_TOKEN or token.count(".") != 2:
        raise NotTrueError("the provider gave an ID token that is none")
    try:
        header = orjson.loads(urlsafe_b64decode(token.partition(".")[0].encode()))
    except (ValueError, TypeError) as exc:
        raise NotTrueError("the provider gave an ID token that is none") from exc
    kid = header.get("kid") if isinstance(header, dict) else None
    if not isinstance(header, dict) or not isinstance(kid, str | None):
        raise NotTrueError("the provider gave an ID token that is none")
    if header.get("alg") not in ALGORITHMS:
        raise NotTrueError(f"the ID token is signed by {header.get('alg')!r:.40}, which does not count here")
    return kid


def claims_of(token: str, access_token: str, keys: Keys, wanted: Wanted, now: float) -> Mapping[str, Any]:
    """What it says of the person. Raises NotTrueError."""
    kid = key_id_of(token)
    found = _signed_by(token, [key for key in keys if kid is None or key.kid == kid])
    claims = found.claims
    for name in _TIMES:
        value = claims.get(name)
        if value is not None and (isinstance(value, bool) or not _is_time(value)):
            raise NotTrueError(f"the ID token gives {name} as {value!r:.40}, which is no time")
    checked = CodeIDToken(
        claims,
        found.header,
        {
            "iss": {"essential": True, "value": wanted.issuer},
            "aud": {"essential": True, "value": wanted.client},
        },
        {"nonce": wanted.nonce, "client_id": wanted.client, "access_token": access_token},
    )
    try:
        checked.validate(now, LEEWAY_S)
    except (JoseError, TypeError, ValueError, AttributeError) as exc:
        raise NotTrueError(f"the ID token is not for this: {_words(exc)}") from exc
    subject = claims.get("sub")
    if not isinstance(subject, str) or not 0 < len(subject) <= _LONGEST_SUBJECT:
        raise NotTrueError("the ID token does not say of whom it is")
    if wanted.asks_each_time:
        asked = claims.get("auth_time")
        if asked is None:
            raise NotTrueError("the provider does not say when it asked for a password, which `asks_each_time` needs")
        if asked < wanted.begun - LEEWAY_S:
            raise NotTrueError("the provider let in somebody whom it knew from before, without a password")
    return claims


def _signed_by(token: str, keys: Keys) -> jwt.Token:
    for key in keys[:_MOST_TRIED]:
        try:
            return jwt.decode(token, key, algorithms=ALGORITHMS)
        except (JoseError, ValueError, TypeError, RecursionError):
            continue
    raise NotTrueError("the ID token is not signed by a key of the provider")


def _is_time(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value) and 0 <= value < 1e11


def _words(exc: Exception) -> str:
    return str(exc).replace("\n", " ")[:200] or type(exc).__name__
