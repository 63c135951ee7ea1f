"""The site file is for administrators from their own page, and bodies have room for files there and nowhere else."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route

from gateway.web.access.guard import LARGEST_BODY, PROOF_HEADER
from tests.web.access.gate import Gate

LARGER = 8_500_000
JSON = {"Content-Type": "application/json"}


async def _sized(request: Request) -> JSONResponse:
    return JSONResponse({"size": len(await request.body())})


@pytest.fixture
def gate(tmp_path: Path) -> Gate:
    paths = ("/api/1/site-file", "/api/1/site-file/check", "/api/1/site-files")
    return Gate(tmp_path, None, *(Route(path, _sized, methods=["GET", "POST"]) for path in paths))


@pytest.mark.parametrize("role", ["viewer", "operator", "technician", "accountant"])
async def test_nobody_but_administrators_comes_to_it(gate: Gate, role: str) -> None:
    client = gate.client()
    await gate.joined(client, "vi", role)
    assert (await client.get("/api/1/site-file")).status_code == 403
    assert (await client.post("/api/1/site-file/check", json={})).status_code == 403
    assert (await gate.client().get("/api/1/site-file")).status_code == 401
    gate.end()


async def test_files_have_room_there_and_nowhere_else(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "ada", "administrator")

    async def pieces(size: int) -> AsyncIterator[bytes]:
        for at in range(0, size, 100_000):
            yield b"x" * min(100_000, size - at)

    for content in (b"x" * LARGER, pieces(LARGER)):
        answer = await client.post("/api/1/site-file/check", content=content, headers=JSON)
        assert answer.json() == {"size": LARGER}
    for content in (b"x" * (LARGER + 1), pieces(LARGER + 1)):
        answer = await client.post("/api/1/site-file/check", content=content, headers=JSON)
        assert answer.status_code == 413
        assert answer.json()["lines"] == [f"a request has {LARGER} bytes at most here"]
    for content in (b"x" * (LARGEST_BODY + 1), pieces(LARGEST_BODY + 1)):
        answer = await client.post("/api/1/site-files", content=content, headers=JSON)
        assert answer.json()["lines"] == [f"a request has {LARGEST_BODY} bytes at most here"]
    gate.end()


async def test_nothing_of_it_is_read_of_who_may_not(gate: Gate) -> None:
    client = gate.client()
    await gate.joined(client, "ada", "administrator")
    read = 0

    async def pieces() -> AsyncIterator[bytes]:
        nonlocal read
        for _ in range(80):
            read += 1
            yield b"x" * 100_000

    assert (await gate.client().post("/api/1/site-file/check", content=pieces(), headers=JSON)).status_code == 401
    del client.headers[PROOF_HEADER]
    assert (await client.post("/api/1/site-file/check", content=pieces(), headers=JSON)).status_code == 403
    assert read == 0
    gate.end()
