"""A provider of OpenID Connect that a test has in its hand: true by default, and as false as it is told to be.

It answers over real TLS; the browser's way to it and back is walked by `authorize`, which gives the query of the way
back.
"""

import asyncio
import base64
import hashlib
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import parse_qs, unquote_plus, urlencode, urlsplit

import orjson
import trustme
from joserfc import jwt
from joserfc.jwk import ECKey, RSAKey

from gateway.person import Role
from gateway.web.access.provider.plan import ProviderPlan
from tests.web.access.gate import SetClock

__all__ = ["CLIENT", "PAGE", "SECRET", "Answered", "ProviderPeer", "provider_peer"]

CLIENT = "tank-gateway"
SECRET = "one % for + the client"
PAGE = "https://gate.example"
ROLES = (("tank-office", Role.ACCOUNTANT), ("tank-shift", Role.OPERATOR), ("tank-chief", Role.ADMINISTRATOR))


class Answered(NamedTuple):
    status: int
    body: bytes
    headers: tuple[tuple[str, str], ...] = ()


class Grant(NamedTuple):
    challenge: str
    nonce: str
    claims: dict[str, Any]


Answering = Callable[[str, dict[str, str], bytes], Awaitable[Answered]]


class ProviderPeer:
    """One provider. What a test sets on it counts from then on."""

    def __init__(self, folder: Path, clock: SetClock) -> None:
        self.authority = trustme.CA()
        self.ca = folder / "provider-ca.pem"
        self.authority.cert_pem.write_to_path(self.ca)
        self.clock = clock
        self.port = 0
        self.key: RSAKey | ECKey = ECKey.generate_key("P-256", {"kid": "one"})
        self.algorithm = "ES256"
        self.published: list[RSAKey | ECKey] | None = None
        """None: the key that signs."""
        self.discovery: dict[str, Any] = {}
        """What it says of itself beside what is true; None takes something away."""
        self.claims: dict[str, Any] = {}
        """Likewise of the person, in the ID token."""
        self.person: dict[str, Any] = {"preferred_username": "anna", "groups": ["tank-shift"]}
        self.more: dict[str, Any] | None = None
        """What it tells of the person where it is asked with the access token; None: it has no such place."""
        self.sign: Callable[[dict[str, Any], dict[str, Any]], str] = self._signed
        self.instead: dict[str, Answering] = {}
        """By path: what is answered in place of what is right."""
        self.asked: list[str] = []
        self._grants: dict[str, Grant] = {}
        self._count = 0

    @property
    def issuer(self) -> str:
        return f"https://127.0.0.1:{self.port}/works"

    def plan(self, **other: Any) -> ProviderPlan:
        given: dict[str, Any] = {
            "name": "works",
            "issuer": self.issuer,
            "client": CLIENT,
            "page": PAGE,
            "role_claim": "groups",
            "roles": ROLES,
            "ca": self.ca,
        }
        return ProviderPlan(**(given | other))

    def authorize(self, address: str, **claims: Any) -> str:
        """Somebody signs in there: the query with which his browser comes back."""
        parts = urlsplit(address)
        assert f"{parts.scheme}://{parts.netloc}{parts.path}" == f"{self.issuer}/authorize"
        asked = {key: values[0] for key, values in parse_qs(parts.query, strict_parsing=True).items()}
        assert asked["response_type"] == "code"
        assert asked["client_id"] == CLIENT
        assert asked["redirect_uri"] == f"{PAGE}/"
        assert asked["code_challenge_method"] == "S256"
        assert "openid" in asked["scope"].split(" ")
        self._count += 1
        code = f"code-{self._count}"
        told = {"auth_time": int(self.clock.utc_s)} | self.person | claims
        self._grants[code] = Grant(asked["code_challenge"], asked["nonce"], told)
        return "?" + urlencode({"code": code, "state": asked["state"], "iss": self.issuer})

    def _signed(self, header: dict[str, Any], claims: dict[str, Any]) -> str:
        return jwt.encode(header, claims, self.key, algorithms=[self.algorithm])

    async def answer(self, method: str, target: str, headers: dict[str, str], body: bytes) -> Answered:
        path = urlsplit(target).path.removeprefix("/works")
        self.asked.append(path)
        if path in self.instead:
            return await self.instead[path](method, headers, body)
        if path == "/.well-known/openid-configuration":
            return _json(self._about())
        if path == "/keys":
            keys = [self.key] if self.published is None else self.published
            return _json({"keys": [key.as_dict(private=False) for key in keys]})
        if path == "/token":
            return self._tokens(headers, body)
        if path == "/me" and self.more is not None:
            assert headers["authorization"] == "Bearer access"
            return _json({"sub": "subject-1"} | self.more)
        return Answered(404, b"nothing here")

    def _about(self) -> dict[str, Any]:
        about = {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "authorization_response_iss_parameter_supported": True,
        }
        if self.more is not None:
            about["userinfo_endpoint"] = f"{self.issuer}/me"
        return _without_none(about | self.discovery)

    def _tokens(self, headers: dict[str, str], body: bytes) -> Answered:
        form = {key: values[0] for key, values in parse_qs(body.decode(), strict_parsing=True).items()}
        assert form["grant_type"] == "authorization_code"
        if "authorization" in headers:
            pair = base64.b64decode(headers["authorization"].removeprefix("Basic ")).decode().split(":")
            if [unquote_plus(each) for each in pair] != [CLIENT, SECRET]:
                return _json({"error": "invalid_client"}, 401)
        else:
            assert form["client_id"] == CLIENT
        grant = self._grants.pop(form["code"], None)
        made = base64.urlsafe_b64encode(hashlib.sha256(form["code_verifier"].encode()).digest()).rstrip(b"=").decode()
        if grant is None or form["redirect_uri"] != f"{PAGE}/" or made != grant.challenge:
            return _json({"error": "invalid_grant"}, 400)
        now = int(self.clock.utc_s)
        claims = {"iss": self.issuer, "aud": CLIENT, "sub": "subject-1", "exp": now + 300, "iat": now}
        claims = _without_none(claims | {"nonce": grant.nonce} | grant.claims | self.claims)
        token = self.sign({"alg": self.algorithm, "kid": self.key.kid}, claims)
        return _json({"id_token": token, "access_token": "access", "token_type": "Bearer", "expires_in": 60})

    @asynccontextmanager
    async def served(self) -> AsyncIterator["ProviderPeer"]:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.authority.issue_cert("127.0.0.1").configure_cert(context)
        server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, ssl=context)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One request a connection."""
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
            method, target, _ = head[0].split(" ")
            headers = {
                name.lower(): value.strip() for name, _, value in (line.partition(":") for line in head[1:] if line)
            }
            body = await reader.readexactly(int(headers.get("content-length", "0")))
            answered = await self.answer(method, target, headers, body)
            lines = [f"HTTP/1.1 {answered.status} So", "Connection: close", f"Content-Length: {len(answered.body)}"]
            lines += [f"{name}: {value}" for name, value in answered.headers]
            writer.write("\r\n".join([*lines, "", ""]).encode() + answered.body)
            await writer.drain()
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()


def _json(document: Any, status: int = 200) -> Answered:
    return Answered(status, orjson.dumps(document), (("Content-Type", "application/json"),))


def _without_none(document: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if value is not None}


@asynccontextmanager
async def provider_peer(folder: Path, clock: SetClock) -> AsyncIterator[ProviderPeer]:
    async with ProviderPeer(folder, clock).served() as peer:
        yield peer
