"""How many descriptors a site needs, whether it has them, and what HTTP gets where it has not."""

import asyncio
import os
import resource
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.acquisition.plan import TcpPath
from gateway.commands.service.descriptors import (
    Limits,
    Needed,
    fitting_connections,
    limits,
    needed_by,
    raise_limit,
    shortage,
)
from gateway.resources import config_path
from gateway.settings import SiteSettings, load_site
from tests.commands.typed import typed
from tests.support.ledger_store import Stand

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def site() -> SiteSettings:
    return load_site(config_path("one_tank.yaml"), now=NOW)


def test_what_a_site_needs(site: SiteSettings) -> None:
    """One line; of HTTP 64 connections, 64 that wait and the listener; of a broker 6; 48 of the process itself; 20 of
    the door for 16 people; of the ledger 4, and 2 for the broker that reads it."""
    assert needed_by(site) == Needed(lines=1, http=129, deliveries=6, spare=48 + 20 + 4 + 2)
    assert needed_by(site).all == 210
    assert needed_by(replace(site, http=None, deliveries=())) == Needed(1, 0, 0, 48 + 20 + 4)
    assert needed_by(replace(site, http=None, ledger=None)) == Needed(1, 0, 6, 48 + 20)


async def test_a_ledger_holds_no_more_than_is_counted(site: SiteSettings, tmp_path: Path) -> None:
    before = len(os.listdir("/proc/self/fd"))
    stand = Stand(tmp_path)
    ledger = stand.open()
    names = [f"destination {number}" for number in range(8)]
    ledger.offer(stand.record())
    outboxes = [ledger.outbox(name) for name in names]
    for outbox in outboxes:
        await asyncio.wait_for(outbox.take(1), 20)
    held = len(os.listdir("/proc/self/fd")) - before
    assert ledger.close(20)
    counted = needed_by(replace(site, deliveries=site.deliveries * 8)).spare
    assert held <= counted - needed_by(replace(site, ledger=None)).spare


def test_each_connection_and_each_second_way_counts(site: SiteSettings) -> None:
    (line,) = site.lines
    lines = (
        replace(line, connections=3),
        replace(line, name="two ways", standby=TcpPath("192.0.2.11", 502)),
        replace(line, name="without instruments", instruments=()),
    )
    assert needed_by(replace(site, sources=lines)).lines == 3 + 2


def test_a_shortage_is_told_with_what_it_is_for() -> None:
    needed = Needed(lines=1000, http=129, deliveries=6, spare=48)
    assert shortage(needed, 1183) is None
    assert shortage(needed, 1182) == (
        "this site needs 1183 descriptors (1000 for lines, 129 for HTTP, 6 for deliveries, 48 beside) and the process "
        "may have 1182; raise LimitNOFILE of the service, or `ulimit -Hn`"
    )


@given(st.integers(0, 20_000), st.integers(1, 40_000))
def test_http_gets_what_the_others_leave(lines: int, limit: int) -> None:
    needed = Needed(lines, 129, 6, 48)
    connections = fitting_connections(needed, limit)
    assert 4 <= connections <= 64
    if connections > 4:
        assert lines + 6 + 48 + 1 + 64 + connections <= limit
    if shortage(needed, limit) is None:
        assert connections == 64


@pytest.mark.parametrize(
    ("soft", "hard", "raised"), [(100, 1000, True), (100, 150, True), (500, 1000, False), (100, 100, False)]
)
def test_the_soft_limit_is_raised_only_where_it_is_too_low(
    soft: int, hard: int, raised: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [(soft, hard)]
    monkeypatch.setattr(resource, "getrlimit", lambda _: now[-1])
    monkeypatch.setattr(resource, "setrlimit", lambda _, both: now.append(both))
    assert raise_limit(Needed(200, 0, 0, 0)) == (Limits(hard, hard) if raised else Limits(soft, hard))
    assert len(now) == 1 + raised


def test_a_limit_that_may_not_be_raised_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    """The service's own filter of system calls refuses it."""

    def refuse(_: int, __: tuple[int, int]) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(resource, "getrlimit", lambda _: (100, resource.RLIM_INFINITY))
    monkeypatch.setattr(resource, "setrlimit", refuse)
    assert raise_limit(Needed(200, 0, 0, 0)) == Limits(100, 2**31)


def test_check_says_it_of_a_site_that_is_too_large(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(config_path("one_tank.yaml").read_text("utf-8"), "utf-8")
    assert limits().hard >= 210
    assert "descriptors" not in typed(capsys, "check", str(path)).out
    monkeypatch.setattr("gateway.commands.service.check.limits", lambda: Limits(100, 150))
    said = typed(capsys, "check", str(path))
    assert said.code == 0
    assert f"warning: {path}: this site needs 210 descriptors" in said.out
    assert "the process may have 150" in said.out
