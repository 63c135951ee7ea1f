import asyncio
import signal
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families
from structlog.testing import capture_logs

from gateway.delivery.metrics import Metrics
from gateway.errors import GatewayError
from gateway.payload.readings import readings_json
from gateway.payload.writer import inventories_json
from gateway.web.plan import HttpPlan, Readiness
from gateway.web.server import HttpServer
from tests.support.messages import valid_message
from tests.support.records import record, snapshot

_PATIENCE_S = 20.0
READY = Readiness(True, 2, 2, 3, 2, 1, 0)


def _server(
    port: int = 0,
    *,
    metrics: Callable[[], Any] = lambda: Metrics(lambda: snapshot(record())).render(),
    inventories: Callable[[], Any] = lambda: inventories_json(snapshot(record("TK-1"), record("TK-2"))),
    healthy: Callable[[], bool] = lambda: True,
    readiness: Callable[[], Readiness] = lambda: READY,
    host: str = "127.0.0.1",
    readings: Callable[[], Any] | None = None,
    packed_metrics: Callable[[], Any] | None = None,
) -> HttpServer:
    return HttpServer(
        HttpPlan(host, port),
        metrics=metrics,
        inventories=inventories,
        healthy=healthy,
        readiness=readiness,
        readings=readings,
        packed_metrics=packed_metrics,
    )


@asynccontextmanager
async def _running(server: HttpServer) -> AsyncIterator[httpx.AsyncClient]:
    """Run it, give a client, then cancel it and see that it ends by nothing else."""
    task = asyncio.create_task(server.run())
    try:
        async with asyncio.timeout(_PATIENCE_S):
            while server.port is None and not task.done():  # noqa: ASYNC110 (the port is bound in a thread)
                await asyncio.sleep(0.005)
        if task.done():
            await task
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{server.port}", timeout=_PATIENCE_S) as client:
            yield client
    finally:
        task.cancel()
        async with asyncio.timeout(_PATIENCE_S):
            with suppress(asyncio.CancelledError):
                await task
        assert task.cancelled()


async def test_metrics() -> None:
    async with _running(_server()) as client:
        answer = await client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    names = {family.name for family in text_string_to_metric_families(answer.text)}
    assert {"tank_level_metres", "tank_quality", "tank_gateway_build_info"} <= names


async def test_metrics_made_in_slices() -> None:
    async with _running(_server(metrics=Metrics(lambda: snapshot(record())).render_in_slices)) as client:
        answer = await client.get("/metrics")
    assert "tank_level_metres" in answer.text


@pytest.mark.parametrize(
    ("accepted", "is_packed"),
    [
        ("gzip", True),
        ("deflate, GZIP;q=0.5, br", True),
        ("gzip;q=1.0", True),
        ("identity", False),
        ("gzip;q=0", False),
        ("gzip; q=0.00", False),
        ("xgzip", False),
        ("", False),
    ],
)
async def test_metrics_are_packed_for_those_who_take_gzip(accepted: str, is_packed: bool) -> None:
    metrics = Metrics(lambda: snapshot(record()))
    async with _running(_server(metrics=metrics.render_in_slices, packed_metrics=metrics.packed_in_slices)) as client:
        answer = await client.get("/metrics", headers={"Accept-Encoding": accepted})
    assert answer.headers.get("content-encoding") == ("gzip" if is_packed else None)
    assert answer.headers["vary"] == "Accept-Encoding", "no cache may give the one for the other"
    assert answer.content == metrics.render()


async def test_inventories() -> None:
    async with _running(_server()) as client:
        answer = await client.get("/inventories")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert answer.headers["cache-control"] == "no-store"
    message = valid_message(answer.content)
    assert message["schema"] == "tank-gateway/inventories/1"
    assert [one["identity"]["tank"] for one in message["inventories"]] == ["TK-1", "TK-2"]


async def test_readings() -> None:
    made = readings_json(snapshot(), {"east": "192.0.2.10:502"}, (), {})
    async with _running(_server(readings=lambda: made)) as client:
        answer = await client.get("/readings")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert valid_message(answer.content)["lines"] == [{"line": "east", "address": "192.0.2.10:502", "connected": True}]


async def test_health_follows_the_daemon() -> None:
    state = {"healthy": True}
    async with _running(_server(healthy=lambda: state["healthy"])) as client:
        answer = await client.get("/health")
        assert (answer.status_code, answer.json()) == (200, {"healthy": True})
        state["healthy"] = False
        answer = await client.get("/health")
        assert (answer.status_code, answer.json()) == (503, {"healthy": False})


async def test_ready_tells_how_many_lines_and_tanks_are() -> None:
    state = {"now": READY}
    async with _running(_server(readiness=lambda: state["now"])) as client:
        answer = await client.get("/ready")
        assert answer.status_code == 200
        assert answer.json() == {
            "ready": True,
            "lines": 2,
            "lines_connected": 2,
            "tanks": 3,
            "tanks_good": 2,
            "tanks_uncertain": 1,
            "tanks_bad": 0,
            "tanks_awaited": 0,
            "tanks_beyond_limits": 0,
        }
        state["now"] = replace(READY, ready=False)
        assert (await client.get("/ready")).status_code == 503


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
async def test_nothing_can_be_written(method: str) -> None:
    async with _running(_server()) as client:
        for path in ("/metrics", "/inventories", "/health"):
            assert (await client.request(method, path)).status_code == 405
        unknown = await client.get("/tanks")
        assert unknown.status_code == 404
        for path in ("/inventories", "/readings", "/metrics", "/health", "/ready", "tank-gateway show"):
            assert path in unknown.text, "whoever opens it in a browser is told what there is"
        assert (await client.head("/health")).status_code == 200


async def test_head_is_get_without_the_content() -> None:
    """RFC 9110, section 9.3.2: the same header fields, and nothing after them."""
    readings = readings_json(snapshot(), {"east": "192.0.2.10:502"}, (), {})
    async with _running(_server(readings=lambda: readings)) as client:
        for path in ("/metrics", "/inventories", "/readings", "/health", "/ready"):
            got, head = await client.get(path), await client.head(path)
            assert (head.status_code, head.content) == (got.status_code, b"")
            told = ("content-type", "content-length", "cache-control")
            assert [head.headers[name] for name in told] == [got.headers[name] for name in told]
            assert int(head.headers["content-length"]) == len(got.content) > 0
    # And nothing after them on the wire: the next answer of the same connection follows at once.
    server = _server()
    async with _running(server):
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        for method in ("HEAD", "GET"):
            writer.write(f"{method} /health HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
        async with asyncio.timeout(_PATIENCE_S):
            for _ in range(2):
                assert await reader.readline() == b"HTTP/1.1 200 OK\r\n"
                await reader.readuntil(b"\r\n\r\n")
            assert await reader.readexactly(16) == b'{"healthy":true}'
        writer.close()


async def test_a_document_that_fails_is_logged_and_the_server_goes_on() -> None:
    def fail() -> bytes:
        raise RuntimeError("broken")

    with capture_logs() as logs:
        async with _running(_server(metrics=fail)) as client:
            answer = await client.get("/metrics")
            assert answer.status_code == 500
            assert "broken" not in answer.text
            assert (await client.get("/health")).status_code == 200
    failures = [entry for entry in logs if entry["event"] == "web.request_failed"]
    assert [(entry["path"], str(entry["exc_info"])) for entry in failures] == [("/metrics", "broken")]


async def test_a_port_that_is_taken_is_named_with_what_to_do() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(GatewayError) as caught:
            await _server(port).run()
    assert str(caught.value) == f"cannot serve HTTP on 127.0.0.1 port {port}: Address already in use"
    assert caught.value.hint is not None
    assert "another port under `web`" in caught.value.hint


@pytest.mark.parametrize("host", ["203.0.113.7", "no-such-host.invalid", "no..name"])
async def test_an_address_of_another_machine_is_named(host: str) -> None:
    """203.0.113.0/24 is for documentation (RFC 5737), .invalid never resolves (RFC 6761)."""
    with pytest.raises(GatewayError, match=f"cannot serve HTTP on {host} port 0: ") as caught:
        await _server(host=host).run()
    assert caught.value.hint is not None


async def test_a_stop_does_not_wait_for_idle_half_sent_or_unanswered_requests() -> None:
    asked = asyncio.Event()

    async def never() -> bytes:
        asked.set()
        await asyncio.Event().wait()
        return b""

    server = _server(inventories=never)
    writers = []
    async with _running(server) as client:
        assert (await client.get("/health")).status_code == 200
        for sent in (b"", b"GET /metrics HTT", b"GET /inventories HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"):
            _, writer = await asyncio.open_connection("127.0.0.1", server.port)
            writer.write(sent)
            await writer.drain()
            writers.append(writer)
        async with asyncio.timeout(_PATIENCE_S):
            await asked.wait()
    for writer in writers:
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()
    with socket.create_server(("127.0.0.1", server.port or 0)):
        pass  # the port is free again


async def test_signals_are_left_to_the_daemon() -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    async with _running(_server()) as client:
        await client.get("/health")
        assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before


@pytest.mark.parametrize("moment", range(4))
async def test_cancelled_at_any_moment_of_starting(moment: int) -> None:
    task = asyncio.create_task(_server().run())
    for _ in range(moment):
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
