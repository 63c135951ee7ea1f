"""The live view on real sockets: who looks is told, who is slow is not waited for, and a stop ends all at once."""

import asyncio
import socket
import ssl
import zlib
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import orjson
import pytest
import trustme
from uvicorn.protocols.http.h11_impl import RequestResponseCycle

from gateway.web import connections
from gateway.web.access.plan import TlsFiles
from gateway.web.stream import feed
from gateway.web.stream import viewer as viewer_module
from gateway.web.stream.viewer import EventStream
from tests.support.live_view import Said, Viewer, level, serving, shown
from tests.support.messages import valid_message
from tests.support.records import BOOT

_PATIENCE_S = 30.0


@asynccontextmanager
async def _viewers(count: int, port: int, *, of: str = "127.0.0.1") -> AsyncIterator[list[Viewer]]:
    made = [await Viewer.at(port, of=of) for _ in range(count)]
    try:
        yield made
    finally:
        for viewer in made:
            viewer.close()


async def _view(port: int) -> dict[str, Any]:
    async with httpx.AsyncClient(timeout=_PATIENCE_S) as client:
        answer = await client.get(f"http://127.0.0.1:{port}/api/1/view")
    assert (answer.status_code, answer.headers["cache-control"]) == (200, "no-store")
    return valid_message(answer.content)


async def test_a_viewer_begins_with_the_whole_view_and_hears_what_changes() -> None:
    said = Said()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    async with serving(said) as port, _viewers(1, port) as (viewer,):
        first = await viewer.next()
        assert (first.kind, first.id) == ("view", first.data["feed"])
        valid_message(orjson.dumps(first.data))
        said.hear(level("TK-2", 2.0))
        change = await viewer.until("change")
        assert list(change.data["tanks"]) == ["TK-2"]
        whole = await _view(port)
        assert shown(viewer.document) == shown(whole)
        assert viewer.last_id == whole["feed"]


async def test_the_stream_is_one_that_browsers_take() -> None:
    """Chunked, of its type, and by httpx, whose reader of HTTP is not ours."""
    said = Said()
    async with (
        serving(said) as port,
        httpx.AsyncClient(timeout=_PATIENCE_S) as client,
        client.stream("GET", f"http://127.0.0.1:{port}/api/1/live") as answer,
    ):
        assert answer.headers["content-type"].partition(";")[0] == "text/event-stream"
        assert answer.headers["cache-control"] == "no-store"
        assert "content-length" not in answer.headers
        lines = answer.aiter_lines()
        assert [await anext(lines) for _ in range(4)] == ["retry: 1000", "", f"id: {BOOT}:1", "event: view"]


@pytest.mark.parametrize("version", ["HTTP/1.0", "HTTP/1.1"])
async def test_who_keeps_up_is_told_without_a_task_of_his_own(version: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Past h11, and in its form to the byte: chunks that end with the last one, or bare; each change goes out once."""
    pushed: list[bytes] = []
    pushes = connections.BoundedConnection.pushes

    def noted(self: connections.BoundedConnection, data: bytes) -> bool:
        done = pushes(self, data)
        pushed.extend([data] * done)
        return done

    monkeypatch.setattr(connections.BoundedConnection, "pushes", noted)
    said = Said()
    async with serving(said) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(f"GET /api/1/live {version}\r\nHost: 127.0.0.1\r\n\r\n".encode())
        number = 0
        async with asyncio.timeout(_PATIENCE_S):
            head = await reader.readuntil(b"\r\n\r\n")
            await reader.readuntil(b"event: view\n")
            while len(pushed) < 3:
                number += 1
                said.hear(level("TK-1", float(number)))
                await asyncio.sleep(0.05)
    async with asyncio.timeout(_PATIENCE_S):
        told = await reader.read()
    writer.close()
    assert (b"chunked" in head) == (version == "HTTP/1.1")
    for data in pushed:
        assert data.startswith((b"id: ", b"event: pulse"))
        assert told.count(b"\r\n%x\r\n%b\r\n" % (len(data), data) if version == "HTTP/1.1" else data) == 1


async def test_what_is_told_at_once_goes_by_the_guard_again_and_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is there that a session is looked at whose viewer keeps up for hours."""
    monkeypatch.setattr(viewer_module, "_LOOKED_AT_EACH_S", 0.1)
    monkeypatch.setattr(feed, "TICK_S", 0.01)
    through: list[int] = []
    send = RequestResponseCycle.send

    async def noted(self: RequestResponseCycle, message: Any) -> None:
        through.append(len(message.get("body", b"")))
        await send(self, message)

    monkeypatch.setattr(RequestResponseCycle, "send", noted)
    said = Said()
    async with serving(said) as port, _viewers(1, port) as (viewer,):
        await viewer.until("view")
        before, number = len(through), 0
        async with asyncio.timeout(_PATIENCE_S):
            while len(through) < before + 5:
                number += 1
                said.hear(level("TK-1", float(number)))
                await viewer.until_shows("TK-1", float(number))
    assert number > 5, "most went at once"


async def test_who_takes_it_packed_gets_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each part is packed once, whoever comes when: the ends of both viewers' files are right, check and length."""
    packed: list[bytes] = []
    compress = zlib.compressobj

    def counted(*given: Any, **named: Any) -> Any:
        packed.append(b"")
        return compress(*given, **named)

    monkeypatch.setattr("gateway.web.stream.parcel.zlib.compressobj", counted)
    said = Said()
    said.hear(*_many(0.0))
    async with serving(said) as port, _viewers(1, port) as (plain,):
        viewers = [await Viewer.at(port, packed=True)]
        await viewers[0].until("view")
        said.hear(*_many(1.0))
        await viewers[0].until_shows("TK-299", 1.0)
        viewers += [await Viewer.at(port, packed=True) for _ in range(9)]
        said.hear(level("TK-1", 2.0))
        for viewer in (plain, *viewers):
            await viewer.until_shows("TK-1", 2.0)
        assert all(shown(viewer.document) == shown(plain.document) for viewer in viewers)
        # Beginnings and heads of whole views are made for each; bodies and changes once.
        events = {event.id for viewer in viewers for event in viewer.seen if event.kind == "change"}
        bodies = {viewer.seen[0].id for viewer in viewers}
        assert len(packed) <= 1 + len(viewers) + len(bodies) + len(events) + 3
        async with httpx.AsyncClient(timeout=_PATIENCE_S) as client:
            answer = await client.get(f"http://127.0.0.1:{port}/api/1/view")
        assert answer.headers["content-encoding"] == "gzip"
        assert int(answer.headers["content-length"]) < len(answer.content) / 3
        assert shown(answer.json()) == shown(plain.document)
    for viewer in viewers:
        with pytest.raises(asyncio.IncompleteReadError):
            await viewer.until("never")
        assert viewer.unpacker is not None
        assert viewer.unpacker.eof, "with its check and its length"
        viewer.close()


async def test_a_sign_of_life_comes_where_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed, "_PULSE_S", 0.01)
    said = Said()
    async with serving(said) as port, _viewers(1, port) as (viewer,):
        for _ in range(3):
            pulse = await viewer.until("pulse")
            assert (pulse.id, set(pulse.data)) == (None, {"time", "machine_time"})


async def test_a_view_that_others_ask_for_takes_no_change_from_a_viewer() -> None:
    said = Said()
    said.hear(level("TK-1", 1.0))
    async with serving(said) as port, _viewers(1, port) as (viewer,):
        await viewer.until("view")
        for metres in (2.0, 3.0, 4.0):
            said.hear(level("TK-1", metres))
            assert (await _view(port))["tanks"]["TK-1"]["level"]["v"] == metres
        await viewer.until_shows("TK-1", 4.0)


@pytest.mark.parametrize("named", ["header", "query"])
async def test_after_a_cut_only_what_was_missed_is_told(named: str) -> None:
    said = Said()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    async with serving(said) as port:
        before = await Viewer.at(port)
        await before.until("view")
        before.close()
        said.hear(level("TK-2", 2.0))
        await _view(port)
        said.hear(level("TK-1", 3.0))
        await _view(port)
        last = before.last_id
        given = {"last_id": last} if named == "header" else {"path": f"?after={last}"}
        after = await Viewer.at(port, **given)
        after.document = before.document
        await after.until_shows("TK-1", 3.0)
        assert [event.kind for event in after.seen] == ["change", "change"]
        assert shown(after.document) == shown(await _view(port))
        after.close()


async def test_after_more_than_the_ring_keeps_the_whole_view_is_told() -> None:
    said = Said()
    said.hear(level("TK-1", 0.0))
    async with serving(said) as port:
        before = await Viewer.at(port)
        await before.until("view")
        before.close()
        for number in range(1, 202):
            said.hear(level("TK-1", float(number)))
            await said.feed.turn()
        after = await Viewer.at(port, before.last_id)
        assert (await after.next()).kind == "view"
        assert after.level("TK-1") == 201.0
        after.close()


async def test_after_a_restart_the_site_and_the_whole_view_are_told() -> None:
    before = Said("a" * 32)
    async with serving(before) as port, _viewers(1, port) as (viewer,):
        await viewer.until("view")
    after = Said("b" * 32)
    after.hear(level("TK-9", 1.0))
    async with serving(after) as port:
        again = await Viewer.at(port, viewer.last_id)
        assert [(await again.next()).kind for _ in range(2)] == ["site", "view"]
        assert list(again.document["tanks"]) == ["TK-9"]
        again.close()


async def test_a_reload_is_told_to_those_who_look() -> None:
    said = Said()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    async with serving(said) as port, _viewers(2, port) as viewers:
        for viewer in viewers:
            await viewer.until("view")
        said.reload(level("TK-2", 1.0))
        for viewer in viewers:
            assert [(await viewer.next()).kind for _ in range(2)] == ["site", "view"]
            assert list(viewer.document["tanks"]) == ["TK-2"]


async def test_who_comes_back_after_a_reload_that_nobody_saw_is_told_that_the_site_is_another() -> None:
    """As after a reload that begins the server anew: whoever is the first to come back makes the turn by that."""
    said = Said()
    said.hear(level("TK-1", 1.0), level("TK-2", 1.0))
    async with serving(said) as port:
        before = await Viewer.at(port)
        await before.until("view")
        before.close()
        async with asyncio.timeout(_PATIENCE_S):
            while said.feed.viewers:  # noqa: ASYNC110 (it has no event for that)
                await asyncio.sleep(0.005)
        said.reload(level("TK-2", 1.0))
        again = await Viewer.at(port, before.last_id)
        assert [(await again.next()).kind for _ in range(2)] == ["site", "view"]
        assert list(again.document["tanks"]) == ["TK-2"]
        again.close()


# The end


class _Ending:
    """A connection over which the stream is ended while it is told something at once."""

    stream: EventStream

    def begin(self) -> str:
        return ""

    def gives(self, count: int) -> None: ...

    def pushes(self, data: bytes) -> bool:
        self.stream.end()
        return False

    def end(self) -> None: ...


@pytest.mark.parametrize("at_once", [False, True])
async def test_all_that_was_packed_is_in_the_file_whenever_it_ends(
    at_once: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its check and its length are of that (RFC 1952, section 2.3.1): whoever unpacks it finds no fault."""
    monkeypatch.setattr(feed, "TICK_S", 0.01)
    said, over = Said(), _Ending()
    said.hear(level("TK-1", 1.0))
    place = said.feed.place(None)
    over.stream = EventStream(said.feed, place, over, set(), is_packed=True)
    sent: list[bytes] = []

    async def send(message: Any) -> None:
        sent.append(message.get("body", b""))
        if len(sent) == 2 and not at_once:
            said.hear(level("TK-1", 3.0))
            await said.feed.turn()
            over.stream.end()

    async def receive() -> Any:
        await asyncio.Event().wait()

    running = asyncio.create_task(said.feed.run())
    answering = asyncio.create_task(over.stream({}, receive, send))
    async with asyncio.timeout(_PATIENCE_S):
        while at_once and place.takes_at_once is None:  # noqa: ASYNC110 (likewise)
            await asyncio.sleep(0.005)
        if at_once:
            said.hear(level("TK-1", 2.0))
        await answering
    running.cancel()
    unpacker = zlib.decompressobj(zlib.MAX_WBITS | 16)
    told = unpacker.decompress(b"".join(sent))
    assert unpacker.eof
    assert told.count(b"event: change") == at_once


async def test_who_sends_more_than_is_taken_is_no_viewer_for_ever() -> None:
    """Whoever guards the answer takes no more of a body: after that nobody would see that its sender has gone."""

    class RefusedError(BaseException):
        pass

    said, over, present = Said(), _Ending(), set[EventStream]()
    over.stream = EventStream(said.feed, said.feed.place(None), over, present, is_packed=False)
    more: list[bool] = []

    async def send(message: Any) -> None:
        more.append(message.get("more_body", True))

    async def receive() -> Any:
        raise RefusedError

    async with asyncio.timeout(_PATIENCE_S):
        await over.stream({}, receive, send)
    assert (more[-1], said.feed.viewers, present) == (False, 0, set())


async def test_a_stop_ends_every_stream_as_an_answer_ends() -> None:
    """Not by breaking it off, as what holds up a stop is."""
    said = Said()
    streams = []
    async with serving(said) as port:
        for _ in range(10):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"GET /api/1/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            async with asyncio.timeout(_PATIENCE_S):
                await reader.readuntil(b"event: view\n")
            streams.append((reader, writer))
    for reader, writer in streams:
        async with asyncio.timeout(_PATIENCE_S):
            assert (await reader.read()).endswith(b"\r\n0\r\n\r\n"), "the last chunk (RFC 9112, section 7.1)"
        writer.close()


async def test_over_tls_it_is_the_same(tmp_path: Path) -> None:
    """A viewer, its changes, room for others, and an end at once, also of one that takes nothing."""
    authority = trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    files = TlsFiles(tmp_path / "web.pem", tmp_path / "web-key.pem")
    issued.cert_chain_pems[0].write_to_path(files.certificate)
    issued.private_key_pem.write_to_path(files.key)
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    said = Said()
    said.hear(*_many(0.0))
    async with serving(said, tls=files) as port:
        streams = []
        for _ in range(10):
            reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=trusting, limit=2**26)
            writer.write(b"GET /api/1/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            async with asyncio.timeout(_PATIENCE_S):
                await reader.readuntil(b"event: view\n")
            streams.append((reader, writer))
        _, deaf = streams.pop()
        deaf.transport.pause_reading()  # type: ignore[attr-defined]
        for number in range(1, 30):
            said.hear(*_many(float(number)))
            await said.feed.turn()
            await asyncio.sleep(0.02)
        for reader, _ in streams:
            async with asyncio.timeout(_PATIENCE_S):
                await reader.readuntil(b'"TK-299":{"product":"gasoline"')
    for reader, writer in streams:
        async with asyncio.timeout(_PATIENCE_S):
            assert (await reader.read()).endswith(b"\r\n0\r\n\r\n")
        writer.close()
    deaf.transport.abort()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a minute is to the gateway is a moment to the test."""
    monkeypatch.setattr(connections, "_ANSWER_S", 0.3)
    monkeypatch.setattr(connections, "_TAKES_NOTHING_S", 0.5)
    monkeypatch.setattr(connections, "_LOOK_S", 0.05)


def _many(metres: float, count: int = 300) -> Sequence[Any]:
    """A view of about 200 kB."""
    return [level(f"TK-{number}", metres) for number in range(count)]


@pytest.mark.usefixtures("quick")
async def test_who_takes_nothing_is_cut_off() -> None:
    said = Said()
    said.hear(*_many(0.0))
    async with serving(said) as port, _viewers(1, port) as (viewer,):
        viewer.writer.transport.pause_reading()  # type: ignore[attr-defined]
        metres = 0.0
        async with asyncio.timeout(_PATIENCE_S):
            while not said.feed.viewers:  # noqa: ASYNC110 (nothing tells when)
                await asyncio.sleep(0.01)
            while said.feed.viewers:
                metres += 1.0
                said.hear(*_many(metres))
                await asyncio.sleep(0.05)


@pytest.mark.usefixtures("quick")
async def test_who_reads_stays_for_longer_than_an_answer_may_take() -> None:
    said = Said()
    said.hear(level("TK-1", 0.0))
    async with serving(said) as port, _viewers(1, port) as (viewer,):
        await viewer.until("view")
        for number in range(1, 12):
            await asyncio.sleep(0.1)
            said.hear(level("TK-1", float(number)))
            await viewer.until_shows("TK-1", float(number))


async def test_who_is_slow_gets_the_newest_whole_view_and_holds_up_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes nothing while sixty views of 200 kB are told, of which the machine itself keeps 4 MB (tcp_wmem)."""
    monkeypatch.setattr(feed, "TICK_S", 0.01)
    said = Said()
    said.hear(*_many(0.0))
    async with serving(said) as port, _viewers(2, port) as (quick_one, slow):
        await slow.until("view")
        slow.writer.transport.pause_reading()  # type: ignore[attr-defined]
        slow.writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2**16)
        for number in range(1, 61):
            said.hear(*_many(float(number)))
            await quick_one.until_shows("TK-299", float(number))
        slow.writer.transport.resume_reading()  # type: ignore[attr-defined]
        # It is told of some of the sixty only, and the last is the newest.
        await slow.until_shows("TK-299", 60.0)
        assert shown(slow.document) == shown(quick_one.document)
        assert len(slow.seen) < 45
        assert "view" in [event.kind for event in slow.seen[1:]]


async def test_nothing_is_kept_for_who_takes_nothing_and_a_stop_does_not_wait_for_him(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Thirty views of 200 kB are made meanwhile: of what waits here there is never more than two pieces of 32 KiB."""
    waiting: list[int] = []
    gives = connections.BoundedConnection.gives

    def noted(self: connections.BoundedConnection, count: int) -> None:
        gives(self, count)
        waiting.append(self.transport.get_write_buffer_size())

    monkeypatch.setattr(connections.BoundedConnection, "gives", noted)
    said = Said()
    said.hear(*_many(0.0))
    async with serving(said) as port:
        viewer = await Viewer.at(port)
        viewer.writer.transport.pause_reading()  # type: ignore[attr-defined]
        for number in range(1, 30):
            said.hear(*_many(float(number)))
            await said.feed.turn()
            await asyncio.sleep(0.02)
    viewer.close()
    assert 0 < max(waiting) < 2 * 32 * 1024 + 100


# Room


async def test_ten_viewers_of_one_address_and_a_word_to_who_comes_too_many() -> None:
    said = Said()
    said.hear(level("TK-1", 1.0))
    async with serving(said) as port, _viewers(16, port) as viewers:
        for viewer in viewers:
            await viewer.until("view")
        one_more = await Viewer.at(port)
        assert one_more.status == 503
        why = "16 look at this live from this address already, and there is no room for more from there"
        assert await one_more.words() == f"{why}; try again later\n"
        # From elsewhere there is room, for as many again.
        async with _viewers(16, port, of="127.0.0.2") as others:
            assert [viewer.status for viewer in others] == [200] * 16
            elsewhere = await Viewer.at(port, of="127.0.0.3")
            assert (elsewhere.status, (await elsewhere.words()).partition(",")[0]) == (
                503,
                "32 look at this live already",
            )
            # All of them hear, and documents are given as ever.
            said.hear(level("TK-1", 2.0))
            for viewer in (*viewers, *others):
                await viewer.until_shows("TK-1", 2.0)
            assert (await _view(port))["tanks"]["TK-1"]["level"]["v"] == 2.0


async def test_who_goes_makes_room() -> None:
    said = Said()
    async with serving(said, most=4) as port:
        for _ in range(5):
            async with _viewers(1, port) as (viewer,):
                assert viewer.status == 200
                await viewer.until("view")
            async with asyncio.timeout(_PATIENCE_S):
                while said.feed.viewers:  # noqa: ASYNC110 (nothing tells when)
                    await asyncio.sleep(0.01)


@pytest.mark.parametrize("of", [["127.0.0.1"], [f"127.0.0.{number}" for number in range(2, 60)]])
async def test_two_hundred_silent_connections_neither_end_a_viewer_nor_keep_one_out(of: list[str]) -> None:
    said = Said()
    said.hear(level("TK-1", 1.0))
    async with serving(said) as port, _viewers(10, port) as viewers:
        for viewer in viewers:
            await viewer.until("view")
        silent = [
            await asyncio.open_connection("127.0.0.1", port, local_addr=(of[number % len(of)], 0))
            for number in range(200)
        ]
        async with _viewers(1, port) as (newcomer,):
            assert newcomer.status == 200
            said.hear(level("TK-1", 2.0))
            for viewer in (*viewers, newcomer):
                await viewer.until_shows("TK-1", 2.0)
        for _, writer in silent:
            writer.transport.abort()


async def test_slow_askers_do_not_end_a_viewer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A viewer is the oldest answer there is; whoever looks for room takes it from others."""
    monkeypatch.setattr(connections, "_PROTECTED_S", 0.0)
    said = Said()
    said.hear(*_many(0.0))
    async with serving(said, most=8) as port, _viewers(1, port) as (viewer,):
        await viewer.until("view")
        writers = []
        for number in range(30):
            _, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=(f"127.0.1.{number + 1}", 0))
            writers.append(writer)
            writer.transport.pause_reading()  # type: ignore[attr-defined]
            writer.write(b"GET /api/1/view HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 50)
            await asyncio.sleep(0.01)
        said.hear(level("TK-1", 2.0))
        await viewer.until_shows("TK-1", 2.0)
        for writer in writers:
            writer.transport.abort()


# What is asked otherwise


async def test_head_has_no_stream_and_nothing_can_be_written() -> None:
    async with serving(Said()) as port, httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
        for path in ("/api/1/live", "/api/1/view", "/api/1/site"):
            head = await client.head(path)
            assert (head.status_code, head.content) == (200, b"")
            for method in ("POST", "PUT", "DELETE", "PATCH"):
                assert (await client.request(method, path)).status_code == 405
