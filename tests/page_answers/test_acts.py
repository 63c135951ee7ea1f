"""What people do over HTTP: told before it is done, by the same checks, and by nobody who may not."""

import asyncio
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.requests import ACTIONS
from gateway.cautions import ACTIONS as CAUTIONED
from gateway.cautions import VALVE
from gateway.page_answers import consequences
from gateway.records import Quality
from tests.page_answers.gate import OPERATOR, Gate, gate

ADMINISTRATOR = {"X-Test-Person": "ada administrator"}
ALARM = {"tank": "TK-1", "alarm": "level_lost"}
_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
"""A disk that is busy makes a play of many acts long."""
POOL: tuple[dict[str, str], ...] = (
    {"action": "dip", "tank": "TK-1", "level": "9.400 m"},
    {"action": "dip", "tank": "TK-2", "level": "3.500 m", "water": "12 mm", "why": "round"},
    {"action": "dip", "tank": "TK-2", "level": "99 m"},
    {"action": "dip", "tank": "TK-2"},
    {"action": "dip", "tank": "TK-9", "level": "1 m"},
    {"action": "temperature", "tank": "TK-1", "value": "21 degC", "expires": "24 h"},
    {"action": "density", "tank": "TK-1", "value": "836 kg/m3", "at": "15 degC", "expires": "9 d"},
    {"action": "density", "tank": "TK-1", "value": "3 kg/m3", "at": "15 degC"},
    {"action": "sediment-water", "tank": "TK-1", "value": "0.2 %", "expires": "9 d"},
    {"action": "withdraw", "tank": "TK-2", "quantity": "level", "why": "mistyped"},
    {"action": "withdraw", "tank": "TK-2", "quantity": "level"},
    {"action": "withdraw", "tank": "TK-2", "quantity": "product", "why": "it was another"},
    {
        "action": "product-change",
        "tank": "TK-2",
        "product": "gasoline",
        "density": "742 kg/m3",
        "expires": "9 d",
    },
    {"action": "product-change", "tank": "TK-2", "product": "milk"},
    {"action": "maintenance", "instrument": "G-1", "duration": "2 h", "why": "new head"},
    {"action": "end-maintenance", "instrument": "G-1"},
    {"action": "acknowledge", **ALARM},
    {"action": "shelve", **ALARM, "duration": "1 h", "why": "known"},
    {"action": "unshelve", **ALARM},
    {"action": "out-of-service", **ALARM, "duration": "1 h", "why": "known"},
    {"action": "in-service", **ALARM},
    {"action": "plan-transfer", "kind": "receipt", "target": "TK-1", "amount": "120 m3", "partner": "a ship"},
    {"action": "plan-transfer", "kind": "receipt", "source": "TK-1"},
    {"action": "start-transfer", "transfer": "1", "why": "in spite of all"},
    {"action": "start-transfer", "kind": "dispatch", "source": "TK-2", "why": "in spite of all"},
    {"action": "confirm-transfer", "transfer": "1"},
    {"action": "change-transfer", "transfer": "1", "reference": "N-17"},
    {"action": "pause-transfer", "transfer": "1"},
    {"action": "resume-transfer", "transfer": "1"},
    {"action": "finish-transfer", "transfer": "1"},
    {"action": "close-transfer", "transfer": "1", "why": "it is over"},
    {"action": "cancel-transfer", "transfer": "1", "why": "the ship went on"},
    {"action": "reverse-ticket", "ticket": "1", "why": "another ship"},
    {
        "action": "amount",
        "kind": "receipt",
        "source": "meter",
        "product": "diesel",
        "amount": "30 m3",
        "measure": "gsv",
        "reference": "M-1",
    },
    {"action": "import-amounts", "text": "kind,source\nreceipt,meter\n"},
    {"action": "reverse-amount", "amount": "1", "why": "counted twice"},
    {"action": "close-day"},
    {"action": "close-day", "day": "2031-01-01"},
    {"action": "dance"},
)
"""Each action that there is, wrong and right; whether one can be done depends on those before it."""


def test_the_pool_has_every_action_and_every_action_its_cautions() -> None:
    known = {*ACTIONS, *ACCOUNT_ACTIONS}
    assert {each["action"] for each in POOL} == {*known, "dance"}
    assert set(CAUTIONED) == known


@settings(max_examples=8, deadline=None, phases=(Phase.generate,), suppress_health_check=list(HealthCheck))
@given(st.lists(st.sampled_from(POOL), min_size=1, max_size=20))
def test_trying_changes_nothing_and_says_well_where_doing_does(requests: list[dict[str, str]]) -> None:
    async def play() -> None:
        with tempfile.TemporaryDirectory(dir=_MEMORY) as folder:
            async with gate(Path(folder)) as yard:
                for quality in (Quality.GOOD, Quality.BAD, Quality.BAD, Quality.GOOD):
                    yard.sheets(5.0)
                    yard.read(quality=quality, innage=5.0)
                    yard.passes(100)
                for request in requests:
                    yard.passes(1)
                    await _settled(yard)
                    before = _state(yard)
                    tried = await yard.act(request, tries=True, who=ADMINISTRATOR)
                    assert _state(yard) == before, request
                    done = await yard.act(request, who=ADMINISTRATOR)
                    assert tried.status_code == done.status_code, (request, tried.json(), done.json())
                    assert tried.json()["code"] == done.json()["code"]
                    if request["action"] != "dance":
                        assert (tried.json()["tried"], done.json()["tried"]) == (True, False)
                    said = done.json()["lines"]
                    # What it would do is told further; what has been done is told in the same words.
                    assert tried.json()["lines"][: len(said)] == said

    asyncio.run(play())


async def _settled(yard: Gate) -> None:
    async with asyncio.timeout(20):
        while not yard.accounts.is_idle:
            await yard.turn()
            await asyncio.sleep(0.005)
    await asyncio.wrap_future(yard.daemon._keeping.read_aside(lambda _: None, is_fresh=True))


def _state(yard: Gate) -> Any:
    """All that an act could change: in memory, and on the disk."""
    with closing(sqlite3.connect(f"file:{yard.folder}/yard.ledger?mode=ro", uri=True)) as connection:
        rows = [
            connection.execute(f"SELECT count(*), max({key}) FROM {table}").fetchone()
            for table, key in (("papers", "number"), ("audit", "number"), ("history", "position"))
        ]
    book = yard.daemon.acting._book
    days = yard.accounts.days.__self__  # type: ignore[union-attr]
    return (
        rows,
        dict(book._entries),
        dict(book._checked),
        book.version,
        {tank: dict(words) for tank, words in book.products._known.items()},
        dict(book.products.setups),
        yard.daemon.acting._late[:],
        [
            (tank.binding, tank.plan, tank.memory, tank.watch_memory, tank.told, tank.sequence)
            for tank in yard.pipeline._tanks
        ],
        yard.daemon._house_watch.memory,
        yard.accounts.book,
        yard.accounts._held,
        (days._late, days._meanwhile, set(days._late_tickets), set(days._looked_at), days.closed),
    )


async def test_what_becomes_of_the_figures_is_told(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets(9.412)
        answer = (await yard.act({"action": "dip", "tank": "TK-2", "level": "3.500 m"}, tries=True)).json()
        assert answer["code"] == 0
        assert answer["lines"][0].startswith(
            "TK-2: level by hand: 3.500 m entered by anna@page, until 2026-11-29 06:00"
        )
        assert "TK-2: level above the datum 3.000 m, Good becomes 3.500 m, Good" in answer["lines"]
        level = next(each for each in answer["figures"] if each["name"] == "level")
        assert (level["before"]["value"], level["after"]["value"]) == (3.0, 3.5)
        answer = (await yard.act({"action": "dip", "tank": "TK-1", "level": "9.400 m"}, tries=True)).json()
        assert "it stands in while its instrument has no value" in answer["lines"][0]
        assert "TK-1: no figure becomes another now" in answer["lines"]
        request = {"action": "maintenance", "instrument": "G-1", "duration": "2 h", "why": "new head"}
        answer = (await yard.act(request, tries=True, who=ADMINISTRATOR)).json()
        assert "TK-1: level above the datum 9.412 m, Good becomes 9.412 m, Uncertain" in answer["lines"]
        request = {"action": "temperature", "tank": "TK-2", "value": "21 degC", "expires": "24 h"}
        answer = (await yard.act(request, tries=True)).json()
        assert "TK-2: average liquid temperature no value, Bad becomes 21.0 °C, Good" in answer["lines"]


async def test_cautions_come_with_what_they_belong_to(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets()
        request = {"action": "plan-transfer", "kind": "receipt", "target": "TK-1"}
        assert VALVE in (await yard.act(request, tries=True)).json()["cautions"]
        assert VALVE in (await yard.act(request)).json()["cautions"]
        dip = (await yard.act({"action": "dip", "tank": "TK-1", "level": "9 m"}, tries=True)).json()
        assert any("without permit" in each for each in dip["cautions"])


async def test_who_may_not_is_told_what_he_may(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets()
        dip = {"action": "dip", "tank": "TK-2", "level": "3.500 m"}
        answer = await yard.act(dip, who={})
        assert (answer.status_code, answer.json()["hint"]) == (401, "sign in")
        answer = await yard.act(dip, who={"X-Test-Person": "vera viewer"})
        assert answer.status_code == 403
        assert answer.json()["lines"] == ["as viewer you may not ask for 'dip'"]
        answer = await yard.act({"action": "close-day"}, who=OPERATOR, tries=True)
        assert answer.status_code == 403
        assert (await yard.act(dip)).status_code == 200
        found = await yard.page("/api/1/entered")
    assert [(each["about"], each["by"], each["ends"]) for each in found["entries"]] == [
        ("TK-2", "anna@page", "2026-11-29T06:00:11Z")
    ]


@pytest.mark.parametrize(
    ("status", "given", "words"),
    [
        (400, {"content": b"[]", "headers": {"Content-Type": "application/json"}}, "no object"),
        (400, {"content": b"{", "headers": {"Content-Type": "application/json"}}, "no JSON"),
        (415, {"content": b"action=dip", "headers": {"Content-Type": "application/x-www-form-urlencoded"}}, "is said"),
        (415, {"content": b"{}", "headers": {}}, "not said what"),
        (413, {"content": b" " * 64_001, "headers": {"Content-Type": "application/json"}}, "longer than 64000 bytes"),
        (422, {"json": {"action": "dip", "tank": 5}}, "tank: is no text"),
        (422, {"json": {"action": "dip", "tank": "TK-2", "level": "3 m", "<b>": "x"}}, "<b>"),
        (403, {"json": {"action": ["dip"]}}, "may not ask"),
    ],
)
async def test_what_is_sent_wrongly_is_refused_in_a_sentence(
    tmp_path: Path, status: int, given: dict[str, Any], words: str
) -> None:
    async with gate(tmp_path) as yard:
        headers = {**given.pop("headers", {}), **OPERATOR}
        answer = await yard.client.post("/api/1/act", headers=headers, **given)
    assert answer.status_code == status, answer.text
    assert words in "".join(answer.json()["lines"])


async def test_a_trial_waits_for_nobody_who_acts(tmp_path: Path) -> None:
    """Another's act may be on its way to a slow disk meanwhile."""
    async with gate(tmp_path) as yard:
        yard.sheets()
        days = yard.accounts.days.__self__  # type: ignore[union-attr]
        async with yard.daemon.acting._turn, yard.accounts._turn, days._turn:
            for request in (
                {"action": "dip", "tank": "TK-2", "level": "3.500 m"},
                {"action": "plan-transfer", "kind": "receipt", "target": "TK-1"},
                {"action": "close-day"},
            ):
                async with asyncio.timeout(20):
                    answer = await yard.act(request, tries=True, who=ADMINISTRATOR)
                assert answer.json()["code"] == 0, answer.text


async def test_what_cannot_be_told_does_not_keep_from_acting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def faulty(*_: object) -> None:
        raise ZeroDivisionError("by a mistake of ours")

    async with gate(tmp_path) as yard:
        yard.sheets()
        monkeypatch.setattr(consequences, "sheet", faulty)
        answer = (await yard.act({"action": "dip", "tank": "TK-2", "level": "3.500 m"}, tries=True)).json()
    assert answer["code"] == 0
    assert "what follows cannot be told: a fault in the program, ZeroDivisionError" in answer["lines"][-1]
