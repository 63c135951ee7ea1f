"""The way in over HTTP: the session, sign-in, sign-out, joining by a one-time code, a new password, people."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import orjson
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from gateway.errors import GatewayError
from gateway.permits import READ_PEOPLE, may, words_for
from gateway.person import Person
from gateway.process.passwords import BusyError
from gateway.web.access.access import Access, NotLetInError, Seen, WaitError
from gateway.web.access.administration import administer
from gateway.web.access.asking import Asking, origin_asked
from gateway.web.access.by_provider import ByProvider
from gateway.web.access.cookies import clearing_cookie, going_cookie, going_name, session_cookie
from gateway.web.access.people import NotKnownError
from gateway.web.access.provider.faults import AwayError
from gateway.web.access.provider.going import GOING_S
from gateway.web.access.sessions import proof_of

__all__ = ["access_routes"]

_JSON = "application/json"
_STATUS = {0: 200, 1: 409, 2: 422}
_LONGEST_TEXT = 4_096
_BUSY_S = 2
_NOBODY_KNOWN = "nobody can sign in at present: the gateway does not know who may"
_SEE_LOG = "its log tells why, and so does `tank-gateway people list` on its machine"


def access_routes(access: Access) -> list[BaseRoute]:
    """Behind the guard, which says who asks and from where, and has looked at proof and origin."""
    routes = _Routes(access)
    return [
        Route("/api/1/session", routes.session, methods=["GET"]),
        Route("/api/1/sign-in", routes.sign_in, methods=["POST"]),
        Route("/api/1/sign-out", routes.sign_out, methods=["POST"]),
        Route("/api/1/join", routes.join, methods=["POST"]),
        Route("/api/1/go-to-provider", routes.go_to_provider, methods=["POST"]),
        Route("/api/1/come-back", routes.come_back, methods=["POST"]),
        Route("/api/1/password", routes.password, methods=["POST"]),
        Route("/api/1/people", routes.list_people, methods=["GET"]),
        Route("/api/1/people", routes.change_people, methods=["POST"]),
    ]


class _Routes:
    def __init__(self, access: Access) -> None:
        self._access = access
        self._by_provider = ByProvider(access)

    async def session(self, request: Request) -> Response:
        """Who is signed in, what that one may do, and the proof for requests that change something."""
        seen: Seen | None = request.state.seen
        trouble = ""
        try:
            await self._access.people.known()
        except NotKnownError as error:
            trouble = _told(error, request)
        if seen is None:
            return self._session(None, request, trouble)
        return self._session((seen.person, request.state.token), request, trouble)

    async def sign_in(self, request: Request) -> Response:
        return await self._let_in(
            request,
            ("name", "password"),
            lambda given, peer, before: self._access.sign_in(given["name"], given["password"], peer, before),
        )

    async def join(self, request: Request) -> Response:
        return await self._let_in(
            request,
            ("code", "name", "password"),
            lambda given, peer, before: self._access.join(
                given["code"], given["name"], given["password"], peer, before
            ),
        )

    async def go_to_provider(self, request: Request) -> Response:
        """Where the page has to send the browser, which has a cookie until it is back."""
        asked: Asking = request.state.asking
        if _object(await request.body() or b"{}") != {}:
            return _said(422, 2, "the request is no empty JSON object", "")
        try:
            gone = await self._by_provider.go(origin_asked(request.headers, asked))
        except GatewayError as error:
            return self._not_let_in(error, request)
        answer = Response(orjson.dumps({"address": gone.address}), media_type=_JSON)
        answer.headers["Set-Cookie"] = going_cookie(self._access.site, gone.token, GOING_S, secure=asked.is_secure)
        return answer

    async def come_back(self, request: Request) -> Response:
        """With the query that the provider gave the browser on its way back."""
        asked: Asking = request.state.asking
        going = request.cookies.get(going_name(self._access.site, secure=asked.is_secure))
        answer = await self._let_in(
            request,
            ("answer",),
            lambda given, peer, before: self._by_provider.come_back(going, given["answer"], peer, before),
        )
        answer.headers.append("Set-Cookie", going_cookie(self._access.site, "", 0.0, secure=asked.is_secure))
        return answer

    async def password(self, request: Request) -> Response:
        """The person's own, by the old one."""
        seen: Seen = request.state.seen
        return await self._let_in(
            request,
            ("old", "new"),
            lambda given, peer, _: self._access.change_password(seen, given["old"], given["new"], peer),
        )

    async def sign_out(self, request: Request) -> Response:
        """`everywhere`: every session of the person. Of somebody of a provider the answer has `provider_out`: where the
        browser ends his session there, too; an empty text where he stays signed in there."""
        given = _object(await request.body() or b"{}")
        if given is None:
            return _said(422, 2, "the request is no JSON object", "")
        seen: Seen = request.state.seen
        await self._access.sign_out(seen, everywhere=given.get("everywhere") is True)
        more = {"provider_out": await self._by_provider.way_out(seen)} if "@" in seen.person.name else {}
        answer = self._session(None, request, "", more)
        secure = request.state.asking.is_secure
        answer.headers["Set-Cookie"] = clearing_cookie(self._access.site, secure=secure)
        return answer

    async def list_people(self, request: Request) -> Response:
        return await self._administered(request, {"action": "people-list"})

    async def change_people(self, request: Request) -> Response:
        """As the command of people asks for it: {"action": "people-invite", "name": …, "role": …} and so on."""
        given = _object(await request.body())
        if given is None:
            return _said(422, 2, "the request is no JSON object", "")
        return await self._administered(request, given)

    async def _administered(self, request: Request, asked: dict[str, Any]) -> Response:
        person: Person | None = request.state.person
        # The guard has looked by the path; that a route is found by another is no way around.
        if person is None or not may(person.role, READ_PEOPLE):
            return _said(403, 1, "this is for administrators", "ask one")
        seen: Seen = request.state.seen
        answer = await administer(self._access, asked, person.signature, lambda: self._access.goes_on(seen.key))
        return Response(orjson.dumps(answer), _STATUS[answer["code"]], media_type=_JSON)

    async def _let_in(self, request: Request, fields: tuple[str, ...], enter: "Callable[..., Any]") -> Response:
        """What comes of it is a new session, with its cookie; or why not."""
        given = _object(await request.body())
        wrong = given is None or set(given) != set(fields)
        if given is None or wrong or not all(_is_text(each) for each in given.values()):
            return _said(422, 2, f"the request is no JSON object of the texts {', '.join(fields)}", "")
        asked: Asking = request.state.asking
        seen: Seen | None = request.state.seen
        try:
            token = await enter(given, asked.peer, None if seen is None else seen.key)
        except GatewayError as error:
            return self._not_let_in(error, request)
        entered = self._access.found(token)
        if entered is None:
            return _said(401, 1, "the session ended before it began", "sign in")
        answer = self._session((entered.person, token), request, "")
        answer.headers["Set-Cookie"] = session_cookie(
            self._access.site, token, self._access.plan.session_longest_s, secure=asked.is_secure
        )
        return answer

    def _not_let_in(self, error: GatewayError, request: Request) -> Response:
        asked: Asking = request.state.asking
        hint = error.hint or ""
        if isinstance(error, WaitError):
            return _said(429, 1, str(error), "", {"Retry-After": str(max(1, round(error.wait_s)))})
        if isinstance(error, BusyError | AwayError):
            return _said(503, 1, str(error), hint, {"Retry-After": str(_BUSY_S)})
        if isinstance(error, NotKnownError):
            hint = hint if asked.is_local else _SEE_LOG
            return _said(503, 1, _told(error, request), hint, {"Retry-After": str(_BUSY_S)})
        if isinstance(error, NotLetInError):
            return _said(401, 1, str(error), hint, {"WWW-Authenticate": 'Bearer realm="tank-gateway"'})
        return _said(409, 1, str(error), hint)

    def _session(
        self, entered: tuple[Person, str] | None, request: Request, trouble: str, more: Mapping[str, Any] | None = None
    ) -> Response:
        asked: Asking = request.state.asking
        plan = self._access.plan
        views = asked.is_local if plan.view_without_sign_in is None else plan.view_without_sign_in
        document: dict[str, Any] = {"person": None, "may": [], "view_without_sign_in": views, "proof": "", "ends": None}
        if plan.provider is not None:
            document["provider"] = {"name": plan.provider.name, "page": plan.provider.page}
        if entered is not None:
            person, token = entered
            document |= {
                "person": {"name": person.name, "role": person.role.value, "signature": person.signature},
                "may": words_for(person.role),
                "proof": proof_of(token),
                "ends": self._ends(token),
            }
        if trouble:
            document["trouble"] = trouble
        document |= more or {}
        return Response(orjson.dumps(document), media_type=_JSON)

    def _ends(self, token: str) -> str | None:
        """When somebody has to sign in anew, whatever he does until then."""
        record = self._access.sessions.find(token, self._access.now)
        if record is None:
            return None
        end = datetime.fromtimestamp(round(record.begun + self._access.plan.session_longest_s), UTC)
        return end.isoformat().replace("+00:00", "Z")


def _told(error: NotKnownError, request: Request) -> str:
    """With files and lines to this machine alone."""
    asked: Asking = request.state.asking
    return str(error) if asked.is_local else _NOBODY_KNOWN


def _object(body: bytes) -> dict[str, Any] | None:
    try:
        document = orjson.loads(body)
    except ValueError:
        return None
    return document if isinstance(document, dict) else None


def _is_text(value: object) -> bool:
    return isinstance(value, str) and len(value) <= _LONGEST_TEXT


def _said(status: int, code: int, text: str, hint: str, headers: dict[str, str] | None = None) -> Response:
    return Response(orjson.dumps({"code": code, "lines": [text], "hint": hint}), status, headers, _JSON)
