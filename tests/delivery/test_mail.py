"""Mails to a real mail server: what arrives, and what becomes of events while it is away, slow, or refuses."""

import asyncio
import random
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme

import gateway.delivery.mail.delivery as mail_delivery
from gateway.delivery.contract import GOODBYE_S, Surroundings
from gateway.delivery.mail.delivery import MailDelivery
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.plan import TlsPlan
from gateway.history import Entry, KeptEvent
from gateway.status import GatewaySnapshot
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmNow, AlarmPhase, Priority
from tests.support.alarm_events import alarm_event, alarm_now, standing_of
from tests.support.deliveries import until
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record
from tests.support.mail_server import MailServer
from tests.support.records import BOOT, NOON, snapshot


def plan_for(server: MailServer, **changes: Any) -> MailPlan:
    """A plan that is quick, and says no day's mail unless told to."""
    defaults: dict[str, Any] = {
        "to": ("shift@depot.example",),
        "encryption": "none",
        "tls": None,
        "still_alive": None,
        "gather_s": 0.05,
        "timeout_s": 5.0,
        "backoff_first_s": 0.02,
        "backoff_longest_s": 0.1,
    }
    settled: dict[str, Any] = {**defaults, **changes}
    return MailPlan("127.0.0.1", server.port, "gateway@depot.example", **settled)


class Yard:
    """A gateway of which nothing is there but its events and alarms."""

    def __init__(self, server: MailServer, entries: Sequence[Entry] = (), **changes: Any) -> None:
        self.outbox = MemoryOutbox(entries)
        self.state: GatewaySnapshot = snapshot()._replace(time_zone="Europe/London")
        self.plan = plan_for(server, **changes)

    def alarms(self, *alarms: AlarmNow) -> None:
        self.state = self.state._replace(alarms=alarms)

    def destination(self) -> MailDelivery:
        around = Surroundings("harbour", BOOT, lambda: self.state, random.Random(1), lambda _: None, self.outbox)
        return MailDelivery(self.plan, around)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[MailDelivery]:
        made = self.destination()
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
async def server() -> AsyncIterator[MailServer]:
    made = MailServer()
    await made.start()
    yield made
    await made.stop()


async def test_one_alarm_is_one_mail_that_says_all_there_is_to_know(server: MailServer) -> None:
    yard = Yard(server, [alarm_event(1)])
    yard.alarms(alarm_now("TK-1", standing_of()))
    async with yard.running():
        await yard.drained()
    (mail,) = server.mails
    assert (mail.sender, mail.recipients) == ("gateway@depot.example", ("shift@depot.example",))
    assert mail.subject == "NOW TK-1 high-high 13.560 m, harbour"
    assert mail.message["Auto-Submitted"] == "auto-generated"
    assert mail.text.splitlines() == [
        "NOW  TK-1  high-high",
        "  level 13.560 m is above the limit",
        "  Value when raised: 13.560 m",
        "  Raised: 2026-03-14 12:00+00:00",
        "  State: active, nobody has acknowledged it",
        "  If nobody acts: Liquid runs over the rim",
        "  What to do: Stop the receipt at the jetty",
        "  Time to respond: 10 min from when it was raised",
        "",
        "harbour, 2026-03-14 12:00:00+00:00",
        "Monitoring only. Not an overfill prevention system (API 2350) or safety instrumented system (IEC 61511). "
        "Independent protection must exist; a mail that does not come must not matter to safety.",
    ]


async def test_what_is_simulated_says_so_first(server: MailServer) -> None:
    yard = Yard(server, [alarm_event(1)])
    yard.state = yard.state._replace(simulated=True)
    async with yard.running():
        await yard.drained()
    (mail,) = server.mails
    assert mail.subject.startswith("SIMULATED NOW TK-1")
    assert mail.text.startswith("SIMULATED")


async def test_two_hundred_alarms_at_once_are_one_mail_that_names_the_first(server: MailServer) -> None:
    events = [
        alarm_event(number, tank=f"TK-{number}", instant=NOON + timedelta(seconds=number)) for number in range(1, 201)
    ]
    yard = Yard(server, events)
    async with yard.running():
        await yard.drained()
    (mail,) = server.mails
    assert mail.subject == "NOW TK-1 high-high 13.560 m and 199 more (200 active), harbour"
    assert "First raised: TK-1 high-high, 2026-03-14 12:00:01+00:00." in mail.text
    assert all(f"TK-{number}  high-high" in mail.text for number in range(1, 201))


async def test_only_what_was_asked_for_is_told_and_the_rest_waits_for_nobody(server: MailServer) -> None:
    entries: list[Entry] = [
        kept_record(1),
        alarm_event(2, priority=Priority.LOOK),
        alarm_event(3, tank="TK-2", priority=Priority.SOON),
        alarm_event(4, tank="TK-9"),
        kept_event(5, EventKind.MOVEMENT_BEGAN, "TK-1"),
        alarm_event(6, EventKind.ALARM_ACKNOWLEDGED),
    ]
    yard = Yard(server, entries, tanks=("TK-1", "TK-2"))
    async with yard.running():
        await yard.drained()
    assert [mail.subject for mail in server.mails] == ["SOON TK-2 high-high 13.560 m, harbour"]


@pytest.mark.parametrize(("when_over", "mails"), [(True, 2), (False, 1)])
async def test_the_end_of_it_is_told_to_who_wants_that(server: MailServer, when_over: bool, mails: int) -> None:
    yard = Yard(server, [alarm_event(1)], when_over=when_over)
    async with yard.running():
        await yard.drained()
        yard.outbox.add(alarm_event(2, EventKind.ALARM_RETURNED, raised=NOON))
        await yard.drained()
    assert len(server.mails) == mails
    if when_over:
        assert server.mails[-1].subject == "over: TK-1 high-high, harbour"
        assert "State: over since 2026-03-14 12:00+00:00, nobody has acknowledged it" in server.mails[-1].text


async def test_after_an_outage_old_alarms_come_as_one_digest_that_says_what_is_over(server: MailServer) -> None:
    """From Friday to Monday: nothing of it may look as if it happened now."""
    await server.stop()
    friday = NOON - timedelta(days=3)
    events: list[Entry] = []
    for number in range(1, 31):
        tank, instant = f"TK-{number}", friday + timedelta(minutes=number)
        events.append(alarm_event(2 * number - 1, tank=tank, instant=instant))
        if number > 1:
            returned = instant + timedelta(hours=1)
            events.append(alarm_event(2 * number, EventKind.ALARM_RETURNED, tank, instant=returned, raised=instant))
    yard = Yard(server, events)
    yard.alarms(alarm_now("TK-1", standing_of(phase=AlarmPhase.ACKNOWLEDGED, by="ann", raised=friday)))
    async with yard.running() as made:
        await until(lambda: not made.status().connected)
        await asyncio.sleep(0.1)
        assert yard.outbox.backlog().waiting == 59
        await server.start()
        await yard.drained()
    (mail,) = server.mails
    assert mail.subject == "LATE, of 12:01: NOW TK-1 high-high 13.560 m and 29 more (1 active), harbour"
    assert "This comes late: 30 of 30 could not be told in time." in mail.text
    assert "30 alarms: 1 active, 29 over." in mail.text
    assert "State: active, ann has it" in mail.text
    assert mail.text.count("\nover  TK-") == 19, "twenty in full, the others in a line each"


async def test_an_old_alarm_that_is_over_by_now_is_told_as_over_though_its_end_is_still_to_come(
    server: MailServer,
) -> None:
    yard = Yard(server, [alarm_event(1, instant=NOON - timedelta(hours=2))])
    yard.alarms(alarm_now("TK-1", standing_of(phase=AlarmPhase.NORMAL, since=NOON - timedelta(hours=1))))
    async with yard.running():
        await yard.drained()
    assert server.mails[0].subject == "LATE, of 10:00: over: TK-1 high-high, harbour"


async def test_what_nobody_acknowledged_goes_to_others_and_to_them_alone(server: MailServer) -> None:
    yard = Yard(
        server, [alarm_event(1), alarm_event(2, EventKind.ALARM_ESCALATED)], escalate_to=("chief@depot.example",)
    )
    async with yard.running():
        await yard.drained()
    told = {mail.recipients: mail.subject for mail in server.mails}
    assert told == {
        ("shift@depot.example",): "NOW TK-1 high-high 13.560 m, harbour",
        ("chief@depot.example",): "NOBODY HAS TK-1 high-high, harbour",
    }


async def test_where_there_are_no_others_the_same_are_told_once_more(server: MailServer) -> None:
    yard = Yard(server, [alarm_event(1), alarm_event(2, EventKind.ALARM_ESCALATED)])
    async with yard.running():
        await yard.drained()
    assert [mail.recipients for mail in server.mails] == [("shift@depot.example",)] * 2


async def test_one_who_is_put_off_gets_it_later_and_the_others_once(server: MailServer) -> None:
    """Greylisting: a server that makes strangers come again."""
    refusals = ["451 come again"] * 3
    server.refuse = lambda address: refusals.pop() if address == "new@depot.example" and refusals else None
    yard = Yard(server, [alarm_event(1)], to=("shift@depot.example", "new@depot.example"))
    async with yard.running():
        await yard.drained()
    assert [mail.recipients for mail in server.mails] == [("shift@depot.example",), ("new@depot.example",)]


async def test_all_who_are_put_off_get_it_later(server: MailServer) -> None:
    refusals = ["451 come again"] * 3
    server.refuse = lambda _: refusals.pop() if refusals else None
    yard = Yard(server, [alarm_event(1)])
    async with yard.running():
        await yard.drained()
    assert len(server.mails) == 1
    assert not refusals


async def test_an_address_that_is_none_is_said_and_keeps_nothing_from_the_others(server: MailServer) -> None:
    server.refuse = lambda address: "550 no such user" if address.startswith("gone") else None
    yard = Yard(server, [alarm_event(1)], to=("gone@depot.example", "shift@depot.example", "gone.too@depot.example"))
    async with yard.running() as made:
        await yard.drained()
        (trouble,) = made.status().troubles
    assert trouble.code == "destination_refuses"
    assert trouble.text == (
        "gone@depot.example gets no mail: no such user (550); gone.too@depot.example gets no mail: no such user (550)"
    )
    assert [mail.recipients for mail in server.mails] == [("shift@depot.example",)]


async def test_where_the_server_takes_nothing_for_one_list_the_other_is_told_all_the_same(server: MailServer) -> None:
    server.refuse = lambda address: "550 no such user" if address == "shift@depot.example" else None
    entries = [alarm_event(1), alarm_event(2, EventKind.ALARM_ESCALATED)]
    yard = Yard(server, entries, escalate_to=("chief@depot.example",))
    async with yard.running() as made:
        await until(lambda: server.mails)
        await until(lambda: made.status().troubles)
        assert yard.outbox.backlog().waiting == 2, "it waits for whoever sets the address right"
        server.refuse = lambda _: None
        await yard.drained()
        assert made.status().troubles == ()
    assert [mail.recipients for mail in server.mails] == [("chief@depot.example",), ("shift@depot.example",)]


@pytest.mark.parametrize("place", ["HELO", "DATA"])
async def test_a_server_that_hangs_is_left_and_tried_again(server: MailServer, place: str) -> None:
    server.hangs_at = place
    yard = Yard(server, [alarm_event(1)], timeout_s=0.1)
    async with yard.running() as made:
        await until(lambda: server.conversations >= 3)
        assert not made.status().connected
        server.hangs_at = ""
        await yard.drained()
    assert [mail.subject for mail in server.mails] == ["NOW TK-1 high-high 13.560 m, harbour"]


async def test_a_server_that_dies_with_the_mail_gets_it_again_with_the_same_identifier(server: MailServer) -> None:
    """Nobody knows whether it had taken it: at least once, and a mail program can tell that it is the same."""
    server.dies_in_data = True
    yard = Yard(server, [alarm_event(1)])
    async with yard.running():
        await until(lambda: server.mails)
        server.dies_in_data = False
        await yard.drained()
    assert len(server.mails) >= 2
    assert len({mail.message["Message-ID"] for mail in server.mails}) == 1


async def test_a_mail_that_is_refused_waits_for_somebody_and_is_not_lost(server: MailServer) -> None:
    server.answer_data = lambda: "554 looks like spam"
    yard = Yard(server, [alarm_event(1)])
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        assert made.status().troubles[0].text == "server says: looks like spam (554)"
        server.answer_data = lambda: None
        await yard.drained()
        assert made.status().troubles == ()
    assert len(server.mails) == 1


async def test_a_restarted_server_gets_what_comes_after(server: MailServer) -> None:
    yard = Yard(server, [alarm_event(1)])
    async with yard.running():
        await yard.drained()
        await server.stop()
        yard.outbox.add(alarm_event(2, tank="TK-2"))
        await server.start()
        await yard.drained()
    assert [mail.subject.split()[1] for mail in server.mails] == ["TK-1", "TK-2"]


def _certificates(folder: Path) -> tuple[ssl.SSLContext, Path]:
    authority = trustme.CA()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    authority.cert_pem.write_to_path(str(folder / "ca.pem"))
    return context, folder / "ca.pem"


@pytest.mark.parametrize("encryption", ["starttls", "tls"])
async def test_encrypted_and_signed_in(tmp_path: Path, encryption: str) -> None:
    context, ca = _certificates(tmp_path)
    password = tmp_path / "password"
    password.write_text("secret\n")
    server = MailServer(context=context, from_the_first_byte=encryption == "tls", user=("gateway", "secret"))
    await server.start()
    try:
        yard = Yard(
            server,
            [alarm_event(1)],
            encryption=encryption,
            tls=TlsPlan(ca),
            user_name="gateway",
            password_file=password,
        )
        async with yard.running():
            await yard.drained()
        assert len(server.mails) == 1
        # Of an authority that this machine does not know, nothing is sent.
        yard = Yard(server, [alarm_event(1)], encryption=encryption, tls=TlsPlan())
        async with yard.running() as made:
            await until(lambda: made.status().troubles)
            assert made.status().troubles[0].text.startswith("server certificate not accepted: ")
        assert len(server.mails) == 1
    finally:
        await server.stop()


async def test_a_wrong_password_is_said_before_there_is_an_alarm(monkeypatch: pytest.MonkeyPatch) -> None:
    server = MailServer(user=("gateway", "secret"))
    await server.start()
    try:
        monkeypatch.setenv("MAIL_WORD", "wrong")
        yard = Yard(server, user_name="gateway", password_variable="MAIL_WORD")
        async with yard.running() as made:
            await until(lambda: made.status().troubles)
            (trouble,) = made.status().troubles
            assert trouble.code == "destination_refuses"
            assert trouble.text.startswith("server refuses user and password: ")
            monkeypatch.setenv("MAIL_WORD", "secret")
            await until(lambda: made.status().connected)
            monkeypatch.delenv("MAIL_WORD")
            yard.outbox.add(alarm_event(1))
            await until(lambda: made.status().troubles)
            assert made.status().troubles[0].text == "the environment variable MAIL_WORD is not set"
    finally:
        await server.stop()


async def test_a_password_in_any_letters_is_sent_or_said(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("Schlüssel")
    server = MailServer(user=("gateway", "Schlüssel"))
    await server.start()
    try:
        yard = Yard(server, [alarm_event(1)], user_name="gateway", password_file=tmp_path / "password")
        async with yard.running():
            await yard.drained()
        assert len(server.mails) == 1
    finally:
        await server.stop()


async def test_a_server_without_encryption_gets_nothing_where_it_is_asked_for(server: MailServer) -> None:
    yard = Yard(server, [alarm_event(1)], encryption="starttls", tls=TlsPlan())
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        assert made.status().troubles[0].text.startswith("server offers no STARTTLS; ")
    assert server.mails == []


class Timed:
    """A destination whose clock goes by the test."""

    def __init__(self, yard: Yard) -> None:
        self.now_s = 1000.0
        around = Surroundings("harbour", BOOT, lambda: yard.state, random.Random(1), lambda _: None, yard.outbox)
        self.made = MailDelivery(yard.plan, around, monotonic=lambda: self.now_s)

    async def passes(self, seconds: float) -> None:
        """And lets it look once more, before and after."""
        for step in (0.0, seconds):
            self.now_s += step
            for _ in range(20):
                await asyncio.sleep(0.005)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.made.run())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.wait([task])


async def test_more_than_the_limit_is_held_back_and_the_next_mail_says_how_much(server: MailServer) -> None:
    """4 in an hour: 2 at first, one of them kept for what is urgent, and another each half hour."""
    yard = Yard(server, most_per_hour=4)
    timed = Timed(yard)
    async with timed.running():
        for number in range(1, 6):
            yard.outbox.add(alarm_event(number, tank=f"TK-{number}", priority=Priority.SOON))
            await timed.passes(1.0)
        assert len(server.mails) == 1
        yard.outbox.add(alarm_event(6, tank="TK-6", priority=Priority.NOW))
        await timed.passes(1.0)
        await until(lambda: len(server.mails) == 2)
        assert "TK-6" in server.mails[1].text, "what is urgent does not wait, and takes the others with it"
        assert "5 events waited for this mail: no more than 4 mails go out in an hour." in server.mails[1].text
        await yard.drained()


async def test_who_is_put_off_for_days_is_passed_over_only_where_others_are_told(server: MailServer) -> None:
    """A disk that is full over a long weekend: 452 to everybody is no reason to give up anything."""
    server.refuse = lambda _: "452 no room"
    yard = Yard(server, to=("a@depot.example", "b@depot.example"))
    timed = Timed(yard)
    async with timed.running():
        yard.outbox.add(alarm_event(1))
        for _ in range(4):
            await timed.passes(50_000.0)
        assert yard.outbox.backlog().waiting == 1
        server.refuse = lambda address: "452 no room" if address == "b@depot.example" else None
        for _ in range(20):
            if yard.outbox.backlog().waiting:
                await timed.passes(20_000.0)
        await yard.drained()
    assert [mail.recipients for mail in server.mails] == [("a@depot.example",)]


async def test_what_happened_to_the_gateway_is_told_and_not_again_and_again(server: MailServer) -> None:
    """20 in an hour: one that lives for less than 3 min tells nobody that it was started again."""
    broke_off = kept_event(1, EventKind.GATEWAY_BROKE_OFF, reason=alarm_event(1).event.reason)
    yard = Yard(server, [broke_off, kept_event(2, EventKind.HISTORY_LOST, number=1)], priorities=(Priority.NOW,))
    timed = Timed(yard)
    async with timed.running():
        await timed.passes(1.0)
        await timed.passes(170.0)
        assert server.mails == []
        await timed.passes(10.0)
        await yard.drained()
    (mail,) = server.mails
    assert mail.subject == (
        "The gateway ended without a word, and has been started again: level 13.560 m is above the limit, harbour"
    )
    assert "12:00+00:00  History was lost." in mail.text


@pytest.mark.parametrize("seed", range(4))
async def test_whatever_the_server_does_everybody_is_told_everything_and_in_order(
    seed: int, server: MailServer
) -> None:
    """A server that puts off, refuses, hangs, dies with the mail in its hand and restarts, and a gateway that does."""
    chance = random.Random(seed)
    to, chiefs = ("a@depot.example", "b@depot.example", "c@depot.example"), ("chief@depot.example",)
    yard = Yard(server, to=to, escalate_to=chiefs, timeout_s=0.15, most_per_hour=1000)
    puts_off: set[str] = set()
    server.refuse = lambda address: "451 come again" if address in puts_off else None
    refuses_all = [False]
    server.answer_data = lambda: "554 not now" if refuses_all[0] else None
    count = 0
    for _ in range(6):
        async with yard.running():
            for _ in range(4):
                for _ in range(chance.randrange(3)):
                    count += 1
                    kind = chance.choice([EventKind.ALARM_RAISED, EventKind.ALARM_ESCALATED])
                    yard.outbox.add(alarm_event(count, kind, f"TK-{count}", instant=NOON + timedelta(seconds=count)))
                puts_off = {address for address in to if chance.random() < 0.3}
                refuses_all[0] = chance.random() < 0.2
                server.hangs_at = chance.choice(["", "", "", "HELO", "DATA"])
                server.dies_in_data = chance.random() < 0.2
                if chance.random() < 0.2:
                    await server.stop()
                    await server.start()
                await asyncio.sleep(chance.uniform(0.0, 0.25))
    puts_off, refuses_all[0], server.hangs_at, server.dies_in_data = set(), False, "", False
    async with yard.running():
        await yard.drained()
    kinds = {each.identity.tank: each.event.kind for each in yard.outbox.arrived if isinstance(each, KeptEvent)}
    for address in (*to, *chiefs):
        is_chief = address in chiefs
        lines = [line for mail in server.mails if address in mail.recipients for line in mail.text.splitlines()]
        told = [line.split()[1] for line in lines if line.startswith("NOW ")]
        wanted = [tank for tank, kind in kinds.items() if (kind is EventKind.ALARM_ESCALATED) == is_chief]
        assert sorted(set(told), key=told.index) == wanted, address


async def test_names_in_any_script_arrive_as_they_are(server: MailServer) -> None:
    yard = Yard(server, [alarm_event(1, tank="Größe-Nº3-油")])
    yard.alarms(alarm_now("Größe-Nº3-油", standing_of(by="Zoë", phase=AlarmPhase.ACKNOWLEDGED)))
    async with yard.running():
        await yard.drained()
    assert server.mails[0].subject == "NOW Größe-Nº3-油 high-high 13.560 m, harbour"
    assert "State: active, Zoë has it" in server.mails[0].text


async def test_without_the_library_it_says_so(server: MailServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mail_delivery, "find_spec", lambda _: None)
    yard = Yard(server, [alarm_event(1)])
    async with yard.running() as made:
        await until(lambda: made.status().troubles)
        assert made.status().troubles[0].code == "destination_unusable"


async def test_a_person_in_another_plan_is_another_place(server: MailServer) -> None:
    plan = plan_for(server)
    assert plan.place != replace(plan, to=("other@depot.example",)).place
    assert plan.name == f"mail:127.0.0.1:{server.port}"
