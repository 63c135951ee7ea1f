"""The guard: what is served to whom, what changes anything, and what every answer says to a browser."""

import asyncio
import ipaddress
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
from starlette.requests import Request
from starlette.responses import StreamingResponse
from starlette.routing import Route
from structlog.testing import capture_logs

from gateway.web.access import guard as module
from gateway.web.access import tokens
from gateway.web.access.guard import LARGEST_BODY, PROOF_HEADER
from gateway.web.access.plan import AccessPlan, TokenPlan
from gateway.web.assets import Assets
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer
from tests.web.access.gate import Gate

OPEN = ["/", "/page/code/main.js", "/health", "/ready", "/api/1/session"]
CLOSED = ["/metrics", "/inventories", "/api/1/view", "/nowhere", "/api/1/nowhere", "/page", "/api/1//view"]
SECRET = "scrape-a-long-secret-0815"


@pytest.mark.parametrize("path", OPEN)
async def test_the_page_and_the_way_in_are_open_to_all(gate: Gate, path: str) -> None:
    assert (await gate.client().get(path)).status_code == 200


@pytest.mark.parametrize("path", CLOSED)
async def test_all_else_is_for_who_has_signed_in(gate: Gate, path: str) -> None:
    answer = await gate.client().get(path)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == 'Bearer realm="tank-gateway"'
    client = gate.client()
    await gate.joined(client, "anna", "viewer")
    assert (await client.get(path)).status_code == (
        404 if "nowhere" in path or path in ("/page", "/api/1//view") else 200
    )


@pytest.mark.parametrize(("setting", "here", "elsewhere"), [(None, 200, 401), (True, 200, 200), (False, 401, 401)])
async def test_who_may_look_without_signing_in(tmp_path: Path, setting: bool | None, here: int, elsewhere: int) -> None:
    gate = Gate(tmp_path, AccessPlan(view_without_sign_in=setting))
    for peer, base, status in (
        ("127.0.0.1", "http://127.0.0.1", here),
        ("192.0.2.7", "http://192.0.2.1", elsewhere),
        ("127.0.0.1", "http://192.0.2.1", elsewhere),
    ):
        client = gate.client(peer, base=base)
        for path in ("/metrics", "/inventories", "/api/1/view"):
            assert (await client.get(path)).status_code == status, (peer, base, path)
        assert (await client.get("/api/1/session")).json()["view_without_sign_in"] is (status == 200)
        assert (await client.post("/api/1/act", json={})).status_code == 401, "nobody acts without"
        assert (await client.get("/api/1/changes")).status_code == 401
        assert (await client.get("/api/1/people")).status_code == 401
    gate.end()


async def test_the_audit_trail_is_not_for_viewers(gate: Gate) -> None:
    for name, role, status in (("vi", "viewer", 403), ("op", "operator", 200), ("ac", "accountant", 200)):
        client = gate.client()
        await gate.joined(client, name, role)
        for path in ("/api/1/changes", "/api/1/changes/more"):
            assert (await client.get(path)).status_code == status


async def test_what_somebody_may_not_is_logged(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "vi", "viewer")
    with capture_logs() as logs:
        await client.get("/api/1/changes")
        await client.post("/api/1/act", json={}, headers={PROOF_HEADER: "wrong"})
        await gate.client().get("/api/1/changes")
    told = [(line["event"], line["name"], line["path"]) for line in logs]
    assert told == [("access.refused", "vi", "/api/1/changes"), ("access.refused", "vi", "/api/1/act")]


async def test_a_program_reads_by_its_token_and_does_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = tmp_path / "token"
    secret.write_text(f"{SECRET}\n", "ascii")
    monkeypatch.setenv("OTHER_TOKEN", "another-long-secret-4711")
    monkeypatch.setenv("SHORT_TOKEN", "short")
    plans = (
        TokenPlan("prometheus", secret),
        TokenPlan("other", None, "OTHER_TOKEN"),
        TokenPlan("short", None, "SHORT_TOKEN"),
        TokenPlan("lost", tmp_path / "none"),
    )
    gate = Gate(tmp_path, AccessPlan(False, tokens=plans))
    for shown, status in (
        (f"Bearer {SECRET}", 200),
        (f"bearer {SECRET}", 200),
        ("Bearer another-long-secret-4711", 200),
        ("Bearer short", 401),
        ("Bearer ", 401),
        (f"Basic {SECRET}", 401),
        (SECRET, 401),
        (f"Bearer {SECRET}x", 401),
    ):
        headers = {"Authorization": shown}
        client = gate.client(headers=headers)
        assert (await client.get("/metrics")).status_code == status, shown
        assert (await client.get("/api/1/view")).status_code == status
        for path in ("/api/1/changes", "/api/1/people"):
            assert (await client.get(path)).status_code == 401
        assert (await client.post("/api/1/act", json={})).status_code == 401
    gate.end()


async def test_tools_of_this_machine_come_by_the_secret_of_the_process(gate: Gate) -> None:
    client = gate.client("127.0.0.1", base="http://127.0.0.1", headers={"Authorization": "Bearer of-the-process"})
    assert (await client.get("/metrics")).status_code == 401
    gate.access.local_secret = "of-the-process"
    assert (await client.get("/metrics")).status_code == 200
    gate.access.local_secret = ""
    assert (await gate.client(headers={"Authorization": "Bearer "}).get("/metrics")).status_code == 401


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({"Origin": "http://gate.example"}, 200),
        ({"Origin": "http://GATE.example"}, 200),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "https://gate.example"}, 403),
        ({"Origin": "http://gate.example:81"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "null"}, 200),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "http://evil.example"}, 403),
        ({PROOF_HEADER: ""}, 403),
        ({PROOF_HEADER: "x" * 43}, 403),
    ],
)
async def test_a_page_of_somebody_else_makes_nobody_act(gate: Gate, headers: dict[str, str], status: int) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "operator")
    assert (await client.post("/api/1/act", json={}, headers=headers)).status_code == status
    if PROOF_HEADER not in headers:
        given = {"name": "anna", "password": "whatever it may be"}
        answer = await client.post("/api/1/sign-in", json=given, headers=headers)
        assert answer.status_code == (401 if status == 200 else 403), "nor sign in as somebody else"


async def test_without_the_proof_nothing_is_done(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "administrator")
    del client.headers[PROOF_HEADER]
    for path in ("/api/1/act", "/api/1/sign-out", "/api/1/password", "/api/1/people"):
        assert (await client.post(path, json={})).status_code == 403
    for method in ("PUT", "PATCH", "DELETE"):
        assert (await client.request(method, "/api/1/act")).status_code == 403


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
async def test_what_a_form_of_a_stranger_can_send_is_no_request(gate: Gate, kind: str) -> None:
    """ASVS 5.0, 3.5.2: nothing is done by a request that a browser sends without asking first."""
    client = gate.client()
    await gate.joined(client, "anna", "operator")
    answer = await client.post("/api/1/act", content=b"{}", headers={"Content-Type": kind})
    assert answer.status_code == 415


async def test_a_body_has_its_bounds_whether_it_says_its_size_or_not(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "operator")
    whole = b'"' + b"x" * (LARGEST_BODY - 2) + b'"'
    headers = {"Content-Type": "application/json"}

    async def pieces(data: bytes) -> AsyncIterator[bytes]:
        for at in range(0, len(data), 10_000):
            yield data[at : at + 10_000]

    answer = await client.post("/api/1/act", content=whole, headers=headers)
    assert answer.json()["size"] == LARGEST_BODY
    answer = await client.post("/api/1/act", content=pieces(whole), headers=headers)
    assert answer.json()["size"] == LARGEST_BODY
    for content in (whole + b" ", pieces(whole + b" " * 200_000)):
        answer = await client.post("/api/1/act", content=content, headers=headers)
        assert (answer.status_code, answer.json()["code"]) == (413, 2)
    answer = await client.post("/api/1/act", content=b"{}", headers=headers | {"Content-Length": "9" * 30})
    assert answer.status_code == 413
    answer = await client.post("/api/1/act", content=b"{}", headers=headers | {"Content-Length": "-1"})
    assert answer.status_code == 413


async def test_every_answer_tells_a_browser_what_it_may_do_with_it(gate: Gate) -> None:
    client = gate.client()
    answers = [
        await client.get("/"),
        await client.get("/metrics"),
        await client.get("/api/1/session"),
        await client.post("/api/1/sign-in", json={}),
        await client.post("/api/1/sign-in", content=b"x"),
        await client.request("BREW", "/"),
    ]
    assert [answer.status_code for answer in answers] == [200, 401, 200, 422, 415, 401]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        for part in ("default-src 'none'", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"):
            assert part in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert "camera=()" in answer.headers["permissions-policy"]
        assert "strict-transport-security" not in answer.headers
        assert "access-control-allow-origin" not in answer.headers
        assert "server" not in answer.headers
    secure = await gate.client(base="https://gate.example").get("/")
    assert secure.headers["strict-transport-security"] == "max-age=31536000; includeSubDomains"
    assert secure.headers["cross-origin-opener-policy"] == "same-origin"


async def test_a_script_is_told_less_than_the_page_that_it_belongs_to(gate: Gate) -> None:
    """Of some sixty files: what a browser heeds only with a document is with the document alone (Permissions Policy,
    W3C, section 5.2; Content Security Policy 3, section 2: a policy is that of a document or of a worker)."""
    client = gate.client(base="https://gate.example")
    script, document = await client.get("/page/code/script.js"), await client.get("/")
    assert script.headers["content-type"].startswith("text/javascript")
    assert "permissions-policy" in document.headers
    assert "permissions-policy" not in script.headers
    assert "cross-origin-opener-policy" not in script.headers
    for name in ("content-security-policy", "cross-origin-resource-policy", "x-content-type-options"):
        assert name in script.headers
    assert script.headers["strict-transport-security"] == document.headers["strict-transport-security"]


async def test_a_script_that_is_known_already_is_told_no_more_than_a_new_one(tmp_path: Path) -> None:
    """An answer of 304 has no type, and a page that is loaded anew gets nothing but those."""
    (tmp_path / "page").mkdir()
    for name in ("index.html", "main.js"):
        (tmp_path / "page" / name).write_text("export const one = 1;\n")
    gate = Gate(tmp_path, None, *Assets(tmp_path / "page").routes[2:])
    client = gate.client(base="https://gate.example")
    for name, is_document in (("main.js", False), ("index.html", True)):
        new = await client.get(f"/page/{name}")
        known = await client.get(f"/page/{name}", headers={"If-None-Match": new.headers["etag"]})
        assert (new.status_code, known.status_code) == (200, 304)
        assert set(known.headers) == set(new.headers) - {"content-type", "content-length", "content-encoding"}
        # What is kept is brought up to date by it (RFC 9111, section 3.2).
        for head in known.headers:
            assert known.headers[head] == new.headers[head], head
        assert ("permissions-policy" in known.headers) == is_document


async def test_a_cookie_of_plain_http_is_none_over_tls(gate: Gate) -> None:
    plain, secure = gate.client(), gate.client(base="https://gate.example")
    await gate.joined(plain, "anna", "operator")
    for name, value in plain.cookies.items():
        secure.cookies.set(name, value, domain="gate.example")
    assert (await secure.get("/api/1/session")).json()["person"] is None


async def test_behind_a_trusted_proxy_cookies_are_those_of_tls(tmp_path: Path) -> None:
    gate = Gate(tmp_path, AccessPlan(None, trusted_proxy=ipaddress.ip_network("127.0.0.1")))
    told = {"X-Forwarded-For": "198.51.100.9", "X-Forwarded-Proto": "https"}
    client = gate.client("127.0.0.1", base="http://127.0.0.1", headers=told)
    assert (await client.get("/metrics")).status_code == 401
    code = await gate.invited("viewer")
    given = {"code": code, "name": "anna", "password": "four quiet herons wade"}
    answer = await client.post("/api/1/join", json=given)
    assert answer.headers["set-cookie"].startswith("__Host-")
    assert "strict-transport-security" in answer.headers
    direct = gate.client("127.0.0.1", base="http://127.0.0.1")
    assert (await direct.get("/metrics")).status_code == 401, "whatever comes from the proxy is the proxy's"
    gate.end()


async def test_an_answer_that_goes_on_ends_with_its_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_LOOK_S", 0.0)
    given: list[bytes] = []

    async def live(_: Request) -> StreamingResponse:
        async def pieces() -> AsyncIterator[bytes]:
            for number in range(1000):
                given.append(b"piece %d\n" % number)
                if number == 5:
                    await gate.asked({"action": "people-end-sessions", "name": "anna"})
                yield given[-1]
                await asyncio.sleep(0)

        return StreamingResponse(pieces())

    gate = Gate(tmp_path, None, Route("/api/1/live", live))
    client = gate.client()
    await gate.joined(client, "anna", "viewer")
    answer = await client.get("/api/1/live")
    assert answer.content == b"".join(given[:5])
    assert len(given) == 6, "nothing is made for it any more"
    gate.end()


async def test_an_answer_that_goes_on_ends_with_its_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A program whose token was taken away looks on no more than a person who was put out."""
    monkeypatch.setattr(module, "_LOOK_S", 0.0)
    monkeypatch.setattr(tokens, "_AGAIN_S", 0.0)
    kept = tmp_path / "secret"
    kept.write_text(SECRET, "ascii")
    given: list[bytes] = []

    async def live(_: Request) -> StreamingResponse:
        async def pieces() -> AsyncIterator[bytes]:
            for number in range(1000):
                given.append(b"piece %d\n" % number)
                if number == 5:
                    kept.write_text("another-long-secret-4711", "ascii")
                yield given[-1]
                await asyncio.sleep(0)

        return StreamingResponse(pieces())

    plan = AccessPlan(False, tokens=(TokenPlan("scraper", secret_file=kept),))
    gate = Gate(tmp_path, plan, Route("/api/1/live", live))
    answer = await gate.client().get("/api/1/live", headers={"Authorization": f"Bearer {SECRET}"})
    assert answer.status_code == 200
    assert answer.content == b"".join(given[:5])
    assert len(given) == 6
    gate.end()


@pytest.mark.parametrize("ending", ["%0A", "%0D", "%00", "%E2%80%A8", "%0A%0A"])
@pytest.mark.parametrize("path", ["/api/1/people", "/api/1/changes", "/api/1/act", "/health", "/metrics"])
async def test_a_path_is_the_same_to_the_guard_and_to_what_is_behind_it(gate: Gate, path: str, ending: str) -> None:
    """A route is found by a regular expression that ends in `$`, which a line end may follow."""
    client = gate.client()
    await gate.joined(client, "vi", "viewer")
    request = {"action": "people-invite", "role": "administrator"}
    for answer in (await client.get(path + ending), await client.post(path + ending, json=request)):
        assert answer.status_code in (400, 404), answer.text
    assert not gate.access.people.invitations, "no viewer makes anybody an administrator"


@pytest.mark.parametrize("role", ["viewer", "operator", "technician", "accountant"])
async def test_people_are_for_administrators_by_whatever_path_they_are_asked_for(
    gate: Gate, role: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The routes look themselves, and rest on no table of paths alone."""
    monkeypatch.setattr(module, "_NEEDS", {})
    client = gate.client()
    await gate.joined(client, "anna", role)
    request = {"action": "people-invite", "role": "administrator"}
    assert (await client.get("/api/1/people")).status_code == 403
    assert (await client.post("/api/1/people", json=request)).status_code == 403


@pytest.mark.parametrize("request_of", ["people-remove", "people-role", "people-end-sessions"])
@pytest.mark.parametrize("path", ["/api/1/act", "/api/1/people", "/api/1/password"])
async def test_who_is_put_out_while_his_request_comes_does_nothing_by_it(
    gate: Gate, path: str, request_of: str
) -> None:
    """Its head was let in; its body comes slowly, and its end after he was removed."""
    client = gate.client()
    await gate.joined(client, "anna", "administrator")
    body = b'{"action": "people-invite", "role": "administrator"}'

    async def slowly() -> AsyncIterator[bytes]:
        yield body[:10]
        role = {"role": "viewer"} if request_of == "people-role" else {}
        assert (await gate.asked({"action": request_of, "name": "anna", **role}))["code"] == 0
        yield body[10:]

    answer = await client.post(path, content=slowly(), headers={"Content-Type": "application/json"})
    assert answer.status_code == 401
    assert not gate.access.people.invitations


async def test_an_empty_request_needs_no_type(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "anna", "operator")
    assert (await client.post("/api/1/act")).status_code == 200


async def test_a_stranger_name_for_this_host_is_refused_with_all_that_a_browser_is_told(gate: Gate) -> None:
    """By the server itself: a page of a stranger whose name leads here reads nothing and signs nobody in."""
    plan = HttpPlan("127.0.0.1", 0, names=("tanks.example",), access=AccessPlan(True))
    server = HttpServer(
        plan,
        metrics=lambda: b"metrics 1\n",
        inventories=lambda: b"{}",
        healthy=lambda: True,
        readiness=lambda: Readiness(True, 1, 1, 1, 1, 0, 0),
        access=gate.access,
    )
    task = asyncio.create_task(server.run())
    while server.port is None:  # noqa: ASYNC110 (bound in a thread)
        await asyncio.sleep(0.005)
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{server.port}") as client:
        for host, status in (("evil.example", 421), ("tanks.example", 200), ("127.0.0.1", 200), ("a b", 421)):
            for path in ("/metrics", "/api/1/session"):
                answer = await client.get(path, headers={"Host": host})
                assert answer.status_code == status, (host, path)
                assert "default-src 'none'" in answer.headers["content-security-policy"]
        given = {"name": "anna", "password": "whatever it may be"}
        for origin in ("http://evil.example", f"http://127.0.0.1:{server.port + 1}"):
            answer = await client.post("/api/1/sign-in", json=given, headers={"Origin": origin})
            assert answer.status_code == 403
        answer = await client.post("/api/1/sign-in", json=given, headers={"Origin": f"http://127.0.0.1:{server.port}"})
        assert answer.status_code == 401
    task.cancel()
    await asyncio.wait([task])


@pytest.mark.parametrize(
    "cookie", ["", ";", "a=b; =; ;;", "tank-gateway-00000000=x", "=" * 5000, 'a="\\"; b=c', "\x7f=\x7f"]
)
async def test_any_cookie_is_somebody_or_nobody(gate: Gate, cookie: str) -> None:
    answer = await gate.client(headers={"Cookie": cookie}).get("/api/1/session")
    assert answer.json()["person"] is None


@pytest.mark.parametrize(
    "path",
    [
        "/page/../inventories",
        "/page/%2e%2e/inventories",
        "/page/..%2finventories",
        "/./inventories",
        "/health/../metrics",
    ],
)
async def test_no_way_through_an_open_folder_leads_out_of_it(gate: Gate, path: str) -> None:
    transport = httpx.ASGITransport(gate.application, client=("192.0.2.7", 1))
    async with httpx.AsyncClient(transport=transport, base_url="http://gate.example") as client:
        request = client.build_request("GET", "/")
        request.url = httpx.URL("http://gate.example").copy_with(raw_path=path.encode())
        answer = await client.send(request)
    assert answer.status_code in (401, 404)
    assert b"/inventories" not in answer.content
