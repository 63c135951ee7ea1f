"""A gate of its own for a test: people in a folder, a clock that is set, cheap passwords, and clients from anywhere."""

from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

import httpx
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from gateway.process.passwords import Passwords
from gateway.web.access.access import Access
from gateway.web.access.administration import administer
from gateway.web.access.guard import PROOF_HEADER, Guard
from gateway.web.access.headers import Headed
from gateway.web.access.people_file import PeopleFile, people_path
from gateway.web.access.plan import AccessPlan
from gateway.web.access.routes import access_routes
from gateway.web.access.tokens import Tokens

__all__ = ["PASSWORD", "Gate", "SetClock", "cheap_passwords"]

SITE = "Port Nowhere"
PASSWORD = "four quiet herons wade"
NOW_S = 1_790_000_000.0


class SetClock:
    """Both clocks, in a test's hand."""

    def __init__(self) -> None:
        self.utc_s = NOW_S
        self.monotonic_s = 1000.0

    def pass_by(self, seconds: float) -> None:
        self.utc_s += seconds
        self.monotonic_s += seconds

    def utc_ns(self) -> int:
        return round(self.utc_s * 1e9)

    def monotonic_ns(self) -> int:
        return round(self.monotonic_s * 1e9)


def cheap_passwords() -> Passwords:
    """Argon2id all the same."""
    return Passwords(memory_kib=8, passes=1)


class Gate:
    """Access and guard before a few routes, without a socket."""

    def __init__(
        self, folder: Path, plan: AccessPlan | None = None, *more: BaseRoute, clock: SetClock | None = None
    ) -> None:
        self.clock = SetClock() if clock is None else clock
        self.audited: list[tuple[Mapping[str, Any], str, object, object]] = []
        self.path = people_path(folder, SITE)
        self.file = PeopleFile(self.path)
        self.access = Access(
            SITE,
            self.clock,
            self.file,
            passwords=cheap_passwords(),
            audit=lambda *told: self.audited.append(told),
        )
        self.access.take_over(AccessPlan(view_without_sign_in=False) if plan is None else plan)
        routes = [
            *(
                Route(path, _served)
                for path in ("/", "/page/code/main.js", "/health", "/ready", "/metrics", "/inventories")
            ),
            *(Route(path, _served) for path in ("/api/1/view", "/api/1/changes", "/api/1/changes/more")),
            Route("/page/code/script.js", _script),
            Route("/api/1/act", _acted, methods=["POST"]),
            *more,
            *access_routes(self.access),
        ]
        self.application = Headed(
            Guard(Starlette(routes=routes), self.access, Tokens(self.access.plan.tokens)), self.access.plan
        )

    def client(self, peer: str = "192.0.2.7", *, base: str = "http://gate.example", **more: Any) -> httpx.AsyncClient:
        """A browser somewhere: it keeps its cookies."""
        transport = httpx.ASGITransport(self.application, client=(peer, 40_000), raise_app_exceptions=False)
        return httpx.AsyncClient(transport=transport, base_url=base, **more)

    async def invited(self, role: str | None = None, name: str | None = None) -> str:
        """The code."""
        request = {"action": "people-invite", "role": role, "name": name}
        answer = await self.asked({key: value for key, value in request.items() if value is not None})
        assert answer["code"] == 0, answer
        code: str = answer["one_time_code"]
        return code

    async def asked(self, request: dict[str, str]) -> dict[str, Any]:
        return await administer(self.access, request, "root")

    async def joined(self, client: httpx.AsyncClient, name: str, role: str, password: str = PASSWORD) -> None:
        """The client is signed in from now on, with the proof in its headers."""
        code = await self.invited(role, name)
        took_in(client, await client.post("/api/1/join", json={"code": code, "name": name, "password": password}))

    def end(self) -> None:
        self.access.people.end()


def took_in(client: httpx.AsyncClient, answer: httpx.Response) -> None:
    assert answer.status_code == 200, answer.text
    client.headers[PROOF_HEADER] = answer.json()["proof"]


Answering = Callable[[Request], Awaitable[Response]]


async def _served(request: Request) -> Response:
    person = request.state.person
    return JSONResponse({"path": request.url.path, "person": None if person is None else list(person)})


async def _script(request: Request) -> Response:
    return Response(b"export {};\n", media_type="text/javascript; charset=utf-8")


async def _acted(request: Request) -> Response:
    return JSONResponse({"by": request.state.person.signature, "size": len(await request.body())})
