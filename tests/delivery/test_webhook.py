"""Events to a real HTTP server: what arrives, and what becomes of them while it is away, slow, or refuses."""

import asyncio
import hashlib
import hmac
import random
import subprocess
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st
from starlette.responses import Response

import gateway.delivery.webhook.delivery as webhook
from gateway.delivery.contract import GOODBYE_S, Surroundings
from gateway.delivery.faults import FaultKind
from gateway.delivery.plan import TlsPlan
from gateway.delivery.webhook.answers import Answer, redirected, verdict_of
from gateway.delivery.webhook.delivery import WebhookDelivery
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.delivery.webhook.request import signature
from gateway.history import Entry
from tests.support.alarm_events import alarm_event
from tests.support.deliveries import until
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record
from tests.support.records import BOOT, snapshot
from tests.support.webhook_server import WebhookServer


class Yard:
    def __init__(self, server: WebhookServer, entries: Sequence[Entry] = (), **changes: Any) -> None:
        self.outbox = MemoryOutbox(entries)
        defaults: dict[str, Any] = {"backoff_first_s": 0.02, "backoff_longest_s": 0.1, "timeout_s": 5.0}
        settled: dict[str, Any] = {"url": server.url, **defaults, **changes}
        self.plan = WebhookPlan(**settled)
        self.state = snapshot()
        self.waits_s: list[float] = []
        """As it has announced them."""

    @asynccontextmanager
    async def running(self) -> AsyncIterator[WebhookDelivery]:
        around = Surroundings("harbour", BOOT, lambda: self.state, random.Random(1), self.waits_s.append, self.outbox)
        made = WebhookDelivery(self.plan, around)
        task = asyncio.create_task(made.run())
        try:
            yield made
        finally:
            assert not task.done(), task.exception()
            task.cancel()
            ended, _ = await asyncio.wait([task], timeout=GOODBYE_S)
            assert ended
            assert task.cancelled()

    async def drained(self) -> None:
        await until(lambda: self.outbox.backlog().waiting == 0)


@pytest.fixture
async def server() -> AsyncIterator[WebhookServer]:
    made = WebhookServer()
    await made.start()
    yield made
    await made.stop()


def sequences(server: WebhookServer) -> list[int]:
    documents: Iterable[Any] = (each.content for each in server.taken)
    flat = (one for each in documents for one in (each if isinstance(each, list) else [each]))
    return [one["identity"]["sequence"] for one in flat]


async def test_each_event_is_a_request_with_its_identity_as_its_key(server: WebhookServer) -> None:
    yard = Yard(server, [kept_record(1), alarm_event(2, tank="TK 1"), kept_event(3)])
    yard.state = yard.state._replace(simulated=True)
    async with yard.running() as made:
        await yard.drained()
        await until(lambda: made.status().connected)
    first, second = server.taken
    assert (first.content["schema"], first.content["alarm"]["name"]) == ("tank-gateway/event/1", "high_high")
    assert first.content["notice"] == "SIMULATED"
    assert first.headers["content-type"] == "application/json"
    assert first.headers["idempotency-key"] == f'"TK%201:{BOOT}:2:0"'
    assert second.headers["idempotency-key"] == f'":{BOOT}:1:0"'


async def test_several_at_once_are_a_list_in_order(server: WebhookServer) -> None:
    yard = Yard(server, [alarm_event(number) for number in range(1, 26)], together=10)
    async with yard.running():
        await yard.drained()
    assert [len(each.content) for each in server.taken] == [10, 10, 5]
    assert sequences(server) == list(range(1, 26))
    assert server.taken[0].headers["idempotency-key"] == f'"TK-1:{BOOT}:1:0..TK-1:{BOOT}:10:0"'


async def test_a_token_and_a_signature_that_anybody_can_check(server: WebhookServer, tmp_path: Path) -> None:
    word = tmp_path / "secret"
    word.write_text("Jefe\n")
    for how in ("bearer", "signature"):
        yard = Yard(server, [alarm_event(1)], secret=how, secret_file=word)
        async with yard.running():
            await yard.drained()
    assert server.taken[0].headers["authorization"] == "Bearer Jefe"
    assert "authorization" not in server.taken[1].headers
    found = server.taken[1].headers["tank-gateway-signature"]
    command = ["openssl", "dgst", "-sha256", "-hmac", "Jefe"]
    tool = await asyncio.to_thread(subprocess.run, command, input=server.taken[1].body, capture_output=True, check=True)
    assert found == f"sha256={tool.stdout.decode().split('= ')[1].strip()}"


@pytest.mark.outside("RFC 4231, test case 2")
def test_the_signature_is_hmac_sha256() -> None:
    expected = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert signature("Jefe", b"what do ya want for nothing?") == f"sha256={expected}"
    assert hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest() == expected


async def test_a_secret_that_is_not_there_keeps_everything(
    server: WebhookServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = Yard(server, [alarm_event(1)], secret="bearer", secret_variable="HOOK_WORD")
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        assert made.status().troubles[0].text == "the environment variable HOOK_WORD is not set"
        assert server.asked == []
        monkeypatch.setenv("HOOK_WORD", "word")
        await yard.drained()
    assert server.taken[0].headers["authorization"] == "Bearer word"


@pytest.mark.parametrize("word", ["Schlüssel", "two\nlines"])
async def test_a_secret_that_no_header_can_hold_is_said_and_not_shown(
    server: WebhookServer, tmp_path: Path, word: str
) -> None:
    (tmp_path / "secret").write_text(word)
    yard = Yard(server, [alarm_event(1)], secret="bearer", secret_file=tmp_path / "secret")
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        (trouble,) = made.status().troubles
    assert trouble.text == "the secret has a character in it that a bearer token cannot have"
    # A signature is made of any bytes.
    yard = Yard(server, [alarm_event(1)], secret="signature", secret_file=tmp_path / "secret")
    async with yard.running():
        await yard.drained()


async def test_while_it_is_away_or_fails_all_waits_and_comes_in_order(server: WebhookServer) -> None:
    await server.stop()
    yard = Yard(server, [alarm_event(number) for number in range(1, 11)])
    async with yard.running() as made:
        await asyncio.sleep(0.1)
        assert not made.status().connected
        assert made.status().troubles == ()
        answers = [503, 500, 429, 408, 409, 502]
        server.answer = lambda _: Response(status_code=answers.pop()) if answers else None
        await server.start()
        await yard.drained()
    assert sequences(server) == list(range(1, 11))
    assert not answers


@pytest.mark.parametrize("status", [400, 404, 410, 413, 422])
async def test_what_can_never_be_taken_is_given_up_counted_and_said_once(server: WebhookServer, status: int) -> None:
    def answer(asked: Any) -> Response | None:
        documents = asked.content if isinstance(asked.content, list) else [asked.content]
        if any(each["identity"]["sequence"] in (2, 4) for each in documents):
            return Response("no such field", status_code=status)
        return None

    server.answer = answer
    for together in (1, 3):
        server.taken.clear()
        yard = Yard(server, [alarm_event(number) for number in range(1, 6)], together=together)
        async with yard.running() as made:
            await yard.drained()
            state = made.status()
        assert sequences(server) == [1, 3, 5]
        assert state.history is not None
        assert (state.history.delivered, state.history.lost, state.history.waiting) == (3, 2, 0)
        (trouble,) = state.troubles
        assert trouble.code == "records_refused"
        assert trouble.text == (
            f"2 events are refused and lost there; the last: TK-1 {BOOT} 4 0: server answers {status}: no such field"
        )
        async with yard.running() as follower:
            assert follower.status().history == state.history, "one that goes on, after a reload, counts them no less"


@pytest.mark.parametrize("status", [401, 403, 405, 415])
async def test_what_a_person_must_set_right_is_said_and_nothing_is_lost(server: WebhookServer, status: int) -> None:
    wrong = [True]
    server.answer = lambda _: Response("who are you?", status_code=status) if wrong else None
    yard = Yard(server, [alarm_event(1)])
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        (trouble,) = made.status().troubles
        assert trouble.code == "destination_refuses"
        assert trouble.text.startswith(f"server answers {status}: who are you?")
        assert not made.status().connected
        wrong.clear()
        await yard.drained()
        assert made.status().troubles == ()
    assert sequences(server) == [1]


async def test_a_server_that_hangs_is_left_and_one_that_never_ends_its_answer_too(server: WebhookServer) -> None:
    server.hangs = True
    yard = Yard(server, [alarm_event(1)], timeout_s=0.1)
    async with yard.running():
        await until(lambda: len(server.asked) >= 3)
        server.hangs = False
        await yard.drained()
    server.goes_on_for_ever = True
    yard = Yard(server, [alarm_event(2)])
    async with yard.running():
        await yard.drained()
    assert sequences(server) == [1, 2]


async def test_a_redirect_to_the_same_server_is_followed_and_to_another_never(server: WebhookServer) -> None:
    other = WebhookServer()
    await other.start()
    try:
        server.answer = lambda asked: (
            Response(status_code=308, headers={"Location": "/new"}) if asked.path == "/events" else None
        )
        yard = Yard(server, [alarm_event(1)])
        async with yard.running():
            await yard.drained()
        assert [each.path for each in server.asked] == ["/events", "/new"]
        server.answer = lambda _: Response(status_code=307, headers={"Location": other.url})
        yard = Yard(server, [alarm_event(2)])
        async with yard.running() as made:
            await until(lambda: made.status().troubles)
            assert "elsewhere" in made.status().troubles[0].text
        server.answer = lambda _: Response(status_code=307, headers={"Location": "/round"})
        async with yard.running() as made:
            await until(lambda: made.status().troubles)
            assert "from one address to the next" in made.status().troubles[0].text
        assert other.asked == []
        assert yard.outbox.backlog().waiting == 1
    finally:
        await other.stop()


async def test_encrypted_and_only_to_who_can_show_that_it_is_the_one(tmp_path: Path) -> None:
    authority = trustme.CA()
    certificate = tmp_path / "server.pem"
    authority.issue_cert("127.0.0.1").private_key_and_cert_chain_pem.write_to_path(str(certificate))
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    server = WebhookServer(certificate=certificate)
    await server.start()
    try:
        yard = Yard(server, [alarm_event(1)], tls=TlsPlan(tmp_path / "ca.pem"))
        async with yard.running():
            await yard.drained()
        assert sequences(server) == [1]
        yard = Yard(server, [alarm_event(2)], tls=TlsPlan())
        async with yard.running() as made:
            await until(lambda: made.status().troubles)
            assert made.status().troubles[0].text.startswith("server certificate not accepted: ")
        assert sequences(server) == [1]
    finally:
        await server.stop()


@pytest.mark.parametrize(
    ("wish", "wait_s"),
    [
        ("120", 120.0),
        ("Sun, 06 Nov 1994 08:49:37 GMT", 30.0),
        ("Sun, 06 Nov 1994 08:00:00 GMT", 0.0),
        ("soon", None),
        ("-5", None),
        (None, None),
    ],
)
def test_when_the_server_wishes_to_be_asked_again(wish: str | None, wait_s: float | None) -> None:
    """RFC 9110, sections 5.6.7 and 10.2.3; a date counts from the server's own clock."""
    answer = Answer(429, "", wish, None, "Sun, 06 Nov 1994 08:49:07 GMT")
    assert verdict_of(answer) == (FaultKind.PASSING, "server answers 429", wait_s)


async def test_the_servers_wish_is_followed_within_bounds(server: WebhookServer) -> None:
    wishes = ["1000000000", "0"]
    server.answer = lambda _: Response(status_code=429, headers={"Retry-After": wishes.pop()}) if wishes else None
    yard = Yard(server, [alarm_event(1)], retry_after_s=0.3)
    async with yard.running():
        await yard.drained()
    assert len(server.asked) == 3
    assert 0.3 in yard.waits_s, "a billion seconds were asked for, and the back-off alone is 0.1 s at most"


@given(
    st.integers(100, 599),
    st.text(max_size=300),
    st.none() | st.text(max_size=40),
    st.none() | st.text(max_size=80),
)
def test_no_answer_is_too_strange(status: int, text: str, wish: str | None, location: str | None) -> None:
    answer = Answer(status, text, wish, location, "Sun, 06 Nov 1994 08:49:07 GMT")
    verdict = verdict_of(answer)
    assert (verdict.kind is None) == (200 <= status < 300)
    assert verdict.wait_s is None or verdict.wait_s >= 0.0
    target = redirected("https://office.example/events", answer)
    assert target is None or target.startswith("https://office.example")


@pytest.mark.parametrize(
    "location",
    [
        "https://other.example/events",
        "http://office.example/events",
        "https://office.example:444/events",
        "//other.example/events",
        "https://user@office.example/events",
        "https://office.example@other.example/",
        "https://[",
        "",
    ],
)
def test_nothing_goes_to_another_server(location: str) -> None:
    assert redirected("https://office.example/events", Answer(308, "", None, location)) is None


async def test_without_the_library_it_says_so(server: WebhookServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webhook, "find_spec", lambda _: None)
    yard = Yard(server, [alarm_event(1)])
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        assert made.status().troubles[0].code == "destination_unusable"
