"""Whatever is asked for, by whatever method and with whatever headers: nothing but the way in is open to strangers."""

import asyncio
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given
from hypothesis import strategies as st
from starlette.types import Message, Receive, Scope, Send

from gateway.web.access.guard import PROOF_HEADER, Guard
from gateway.web.access.headers import Headed
from gateway.web.access.plan import AccessPlan
from gateway.web.access.tokens import Tokens
from tests.web.access.gate import Gate

OPEN = {"/", "/favicon.ico", "/icon.svg", "/manifest.webmanifest", "/health", "/ready", "/api/1/session"}
WAY_IN = {"/api/1/sign-in", "/api/1/join"}
PATHS = [
    "/metrics",
    "/api/1/changes",
    "/api/1/people",
    "/api/1/site-file",
    "/api/1/site-file/check",
    "/API/1/session",
    "/health/",
    "/page",
    "/page/../metrics",
    "/api",
]
HEADERS = ["authorization", "cookie", "host", "origin", "sec-fetch-site", "x-forwarded-for", "x-real-ip", "forwarded"]
VALUES = [
    "Bearer ",
    "Bearer x",
    "127.0.0.1",
    "same-origin",
    "http://gate.example",
    "null",
    "tank-gateway-x=y",
    "for=127.0.0.1",
]
NAMES = st.sampled_from([*HEADERS, PROOF_HEADER.lower(), "content-type", "content-length"])


async def _everything(_scope: Scope, _receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"the figures of a site"})


@given(
    path=st.sampled_from([*OPEN, *WAY_IN, *PATHS]) | st.text(max_size=30).map(lambda text: f"/{text}"),
    method=st.sampled_from(["GET", "HEAD", "OPTIONS", "POST", "PUT", "DELETE", "TRACE", "get", "BREW"]),
    headers=st.lists(st.tuples(NAMES, st.sampled_from(VALUES) | st.text("\x21~ -", max_size=10)), max_size=5),
    client=st.sampled_from(["192.0.2.7", "127.0.0.1", "2001:db8::1", ""]),
    setting=st.sampled_from([None, False]),
)
def test_strangers_get_nothing_but_the_way_in(
    path: str, method: str, headers: list[tuple[str, str]], client: str, setting: bool | None
) -> None:
    answers: list[Message] = []

    async def ask() -> None:
        with TemporaryDirectory() as folder:
            gate = Gate(Path(folder), AccessPlan(setting))
            guarded = Headed(Guard(_everything, gate.access, Tokens(())), gate.access.plan)
            raw = [(name.encode(), value.encode()) for name, value in headers]
            scope: Scope = {"type": "http", "method": method, "path": path, "headers": raw, "scheme": "http"}
            # It came to an address of the network, whoever says that he is this machine.
            scope.update(client=(client, 1), server=("192.0.2.1", 9109), query_string=b"", state={})

            async def send(message: Message) -> None:
                answers.append(message)

            async def receive() -> Message:
                return {"type": "http.request", "body": b"", "more_body": False}

            await guarded(scope, receive, send)

    asyncio.run(ask())
    status = answers[0]["status"]
    names = {name for name, _ in answers[0]["headers"]}
    assert {b"content-security-policy", b"x-content-type-options", b"cache-control"} <= names
    if method in ("GET", "HEAD", "OPTIONS"):
        assert (status == 200) is (path in OPEN | WAY_IN or path.startswith("/page/"))
    else:
        assert status != 200 or path in WAY_IN
