"""A whole gateway with its ledger, a mail server and a webhook: what people are told of it, over a restart."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from dataclasses import replace
from datetime import UTC, datetime, time
from pathlib import Path

import pytest

from gateway.daemon import Daemon
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.keeping import kept_in
from gateway.ledger.plan import LedgerPlan
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from tests.support.deliveries import until
from tests.support.mail_server import MailServer
from tests.support.webhook_server import WebhookServer

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@asynccontextmanager
async def running(site: SiteSettings, folder: Path) -> AsyncIterator[Daemon]:
    gateway = Daemon(site, keep=kept_in(folder, site.name, LedgerPlan(commit_s=0.05)))
    task = asyncio.create_task(gateway.run())
    try:
        yield gateway
    finally:
        task.cancel()
        await asyncio.wait([task])


@pytest.fixture
async def servers() -> AsyncIterator[tuple[MailServer, WebhookServer]]:
    mail, web = MailServer(), WebhookServer()
    await mail.start()
    await web.start()
    yield mail, web
    await mail.stop()
    await web.stop()


async def test_one_sign_of_life_a_day_and_every_event_at_the_webhook(
    servers: tuple[MailServer, WebhookServer], tmp_path: Path
) -> None:
    mail, web = servers
    # Far from now, so that no day's mail falls due while this runs.
    at = time((datetime.now(UTC).hour + 12) % 24)
    plan = MailPlan(
        "127.0.0.1",
        mail.port,
        "g@depot.example",
        ("s@depot.example",),
        still_alive=at,
        encryption="none",
        tls=None,
        gather_s=0.1,
    )
    hook = WebhookPlan(web.url)
    site = load_site(config_path("one_tank.yaml"), now=NOW)
    site = replace(site, http=None, sources=(), deliveries=(plan, hook))
    async with running(site, tmp_path) as gateway:
        await until(lambda: len(mail.mails) == 1)
        await until(lambda: len(web.taken) == 1)
        await until(lambda: all(each.connected for each in gateway.snapshot().destinations))
        histories = [each.history for each in gateway.snapshot().destinations]
        assert [each.lost for each in histories if each is not None] == [0, 0]
    assert mail.mails[0].subject.startswith("Still alive: 0 alarms, 0 hidden, 1 of 1 tanks not Good")
    async with running(site, tmp_path) as gateway:
        # That of the stop, and that of this start: the process before had sent the day's mail.
        await until(lambda: len(web.taken) == 3)
        await until(lambda: all(each.connected for each in gateway.snapshot().destinations))
        await asyncio.sleep(0.5)
    assert [each.content["kind"] for each in web.taken] == ["gateway_started", "gateway_stopped", "gateway_started"]
    assert len(mail.mails) == 1
    with closing(sqlite3.connect(tmp_path / f"{site.name}.ledger")) as ledger, ledger:
        cursors = ledger.execute("SELECT destination, records, events FROM cursors ORDER BY destination").fetchall()
    ledger.close()
    assert cursors == [(plan.name, 0, 1), (hook.name, 0, 1)]
