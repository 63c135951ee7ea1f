"""The guard before everything that is served: who asks, and whether that one may.

Whoever may look reads everything but the audit trail and people. Nobody changes anything without having signed in, from
a page of ours: beside the cookie, which a browser sends along whoever asks, such a request has the proof of its
session, and is of our own origin as far as the browser tells (Fetch Metadata, RFC 6454).
"""

import asyncio
import hmac
from collections.abc import Mapping
from functools import partial
from typing import Any, TypeVar

import orjson
import structlog
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.permits import READ_CHANGES, READ_PEOPLE, SITE_FILE, may
from gateway.web.access.access import Access, Seen
from gateway.web.access.asking import Asking, origin_asked
from gateway.web.access.cookies import cookie_name
from gateway.web.access.sessions import proof_of
from gateway.web.access.tokens import Tokens

__all__ = ["LARGEST_BODY", "PROOF_HEADER", "Guard"]

REFUSED = "access.refused"

LARGEST_BODY = 65_536
_LARGER = {"/api/1/site-file": 8_500_000}
"""Paths, with what lies below them, that take in files: a site of 500 tanks, a capacity table to the millimetre."""
PROOF_HEADER = "X-Page-Proof"
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_OPEN = frozenset(
    {"/", "/favicon.ico", "/icon.svg", "/manifest.webmanifest", "/health", "/ready"}
    | {"/api/1/session", "/api/1/sign-in", "/api/1/join", "/api/1/go-to-provider", "/api/1/come-back"}
)
"""What anybody may ask for: the page itself, which holds nothing of a site, the way in, whether the gateway runs."""
_OPEN_FOLDER = "/page/"
_WITHOUT_SESSION = frozenset({"/api/1/sign-in", "/api/1/join", "/api/1/go-to-provider", "/api/1/come-back"})
"""What is changed by somebody who is not signed in yet."""
_NEEDS = {"/api/1/changes": READ_CHANGES, "/api/1/people": READ_PEOPLE, "/api/1/site-file": SITE_FILE}
"""Paths, with what lies below them, for which it is not enough to be let in."""
_JSON = "application/json"
_SHOWN = 100
_LOGGER = structlog.get_logger("gateway.access")
T = TypeVar("T")
_LOOK_S = 5.0
"""How often an answer that goes on, such as the live view, is looked at: whether its session still stands."""


class Guard:
    """ASGI, behind `Headed`, which has looked at how a request came. `scope["state"]` has `person`, who is signed in or
    None, for whatever comes after it, and `stands`, whether that one still is; and `seen`, `token` and `may_view` for
    the routes of access itself.
    """

    def __init__(self, application: ASGIApp, access: Access, tokens: Tokens) -> None:
        self._application = application
        self._access = access
        self._tokens = tokens

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        plan = self._access.plan
        state = scope["state"]
        asked: Asking = state["asking"]
        headers = Headers(scope=scope)
        token = cookie_parser(headers.get("cookie", "")).get(cookie_name(self._access.site, secure=asked.is_secure))
        seen = self._access.found(token)
        may_view = seen is not None or (
            asked.is_local if plan.view_without_sign_in is None else plan.view_without_sign_in
        )
        state |= {"person": seen and seen.person, "seen": seen, "may_view": may_view, "token": token}
        if seen is not None:
            state["stands"] = partial(self._access.goes_on, seen.key)
        refusal = await self._refusal(scope, headers, seen, token, asked, may_view=may_view)
        if refusal is not None:
            if seen is not None and refusal.status_code == 403:
                # Of somebody who has signed in: others could fill the log.
                _LOGGER.warning(REFUSED, name=seen.person.name, path=scope["path"][:_SHOWN], peer=asked.peer)
            await refusal(scope, receive, send)
            return
        await self._passed_on(scope, receive, send, seen)

    async def _refusal(
        self, scope: Scope, headers: Headers, seen: Seen | None, token: str | None, asked: Asking, *, may_view: bool
    ) -> Response | None:
        """The answer to who may not; None: he may."""
        path, method = scope["path"], scope["method"]
        if not path.isprintable():
            # Whoever looks at a path and whoever finds a route by it must see the same one: to a regular expression
            # that ends in `$` a path and the same with a line end after it are one.
            return _refused(scope, 400, "the address has characters that nobody can read", "")
        if method not in _SAFE:
            if (refusal := _not_ours(headers, asked) or _unfit_body(headers, path)) is not None:
                return refusal
            if path in _WITHOUT_SESSION:
                return None
            if seen is None or token is None:
                return _refused(scope, 401, "nobody is signed in, or no longer", "sign in")
            if not _same(headers.get(PROOF_HEADER, ""), proof_of(token)):
                return _refused(scope, 403, "this did not come from the page of this gateway", "load the page anew")
        if path in _OPEN or path.startswith(_OPEN_FOLDER):
            return None
        needs = _of_place(_NEEDS, path)
        if needs is not None:
            if seen is None:
                return _refused(scope, 401, "this is for who has signed in", "sign in")
            if not may(seen.person.role, needs):
                return _refused(scope, 403, f"this is not for a {seen.person.role.value}", "ask an administrator")
            return None
        if may_view or await self._has_token(headers):
            return None
        return _refused(scope, 401, "this is for who has signed in, and for programs with a token", "sign in")

    async def _goes_on(self, scope: Scope, seen: Seen | None) -> bool:
        """Whether whoever was let in would be still."""
        if seen is not None:
            return self._access.goes_on(seen.key)
        path: str = scope["path"]
        is_open = path in _OPEN or path.startswith(_OPEN_FOLDER) or scope["state"]["may_view"]
        return is_open or await self._has_token(Headers(scope=scope))

    async def _has_token(self, headers: Headers) -> bool:
        scheme, _, secret = headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer":
            return False
        own = self._access.local_secret
        return (bool(own) and _same(secret.strip(), own)) or await self._tokens.name_of(secret.strip()) is not None

    async def _passed_on(self, scope: Scope, receive: Receive, send: Send, seen: Seen | None) -> None:
        """To what is guarded: with a body within bounds, and no longer than its session stands."""
        size, largest = 0, _of_place(_LARGER, scope["path"]) or LARGEST_BODY
        is_begun, looked_s = False, asyncio.get_running_loop().time()
        is_change = scope["method"] not in _SAFE

        async def received() -> Message:
            nonlocal size
            message = await receive()
            size += len(message.get("body", b""))
            if size > largest:
                if not is_begun:
                    await _too_large(largest)(scope, receive, send)
                raise _OverError
            # Bodies come as slowly as their sender likes: who was let in by the head may be out by the end of it.
            if is_change and seen is not None and not is_begun and not self._access.goes_on(seen.key):
                await _refused(scope, 401, "nobody is signed in, or no longer", "sign in")(scope, receive, send)
                raise _OverError
            return message

        async def sent(message: Message) -> None:
            nonlocal is_begun, looked_s
            is_begun = True
            now_s = asyncio.get_running_loop().time()
            if message.get("more_body") and now_s - looked_s >= _LOOK_S:
                looked_s = now_s
                if not await self._goes_on(scope, seen):
                    await send({"type": "http.response.body", "body": b""})
                    raise _OverError
            await send(message)

        # It may come out of a group of tasks, and then in a group.
        try:
            await self._application(scope, received, sent)
        except* _OverError:
            pass


class _OverError(BaseException):
    """The answer has ended. It is no fault, and nobody between here and there is to answer it as one."""


def _not_ours(headers: Headers, asked: Asking) -> Response | None:
    """The refusal of what a page of somebody else makes a browser send."""
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    own = origin_asked(headers, asked)
    # With the first a browser may leave out where it was, which is `null` then.
    if site == "same-origin" and origin in (None, "null"):
        return None
    if site in (None, "same-origin") and (origin is None or origin.lower() == own):
        return None
    return _answer(403, "this came from a page of somebody else", "open the page of this gateway")


def _of_place(places: Mapping[str, T], path: str) -> T | None:
    """What is said of the path, or of one that it lies below."""
    return next((found for place, found in places.items() if path == place or path.startswith(f"{place}/")), None)


def _unfit_body(headers: Headers, path: str) -> Response | None:
    largest = _of_place(_LARGER, path) or LARGEST_BODY
    length = headers.get("content-length", "0")
    if not length.isdecimal() or int(length[:12]) > largest:
        return _too_large(largest)
    has_body = length != "0" or "transfer-encoding" in headers
    if has_body and headers.get("content-type", "").partition(";")[0].strip().lower() != _JSON:
        return _answer(415, f"a request is of type {_JSON}", "")
    return None


def _too_large(largest: int) -> Response:
    return _answer(413, f"a request has {largest} bytes at most here", "")


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), wanted.encode())


def _refused(scope: Scope, status: int, text: str, hint: str) -> Response:
    headers = {"WWW-Authenticate": 'Bearer realm="tank-gateway"'} if status == 401 else {}
    if scope["path"].startswith("/api/"):
        return _answer(status, text, hint, headers)
    more = f"; {hint}" if hint else ""
    return Response(f"{text}{more}\n", status, headers, "text/plain")


def _answer(status: int, text: str, hint: str, headers: Mapping[str, str] | None = None) -> Response:
    """As the door answers: `code`, `lines`, `hint`."""
    document: dict[str, Any] = {"code": 2 if status in (413, 415) else 1, "lines": [text], "hint": hint}
    return Response(orjson.dumps(document), status, dict(headers or {}), _JSON)
