"""Acts wait for their turn: whoever is out by then, removed or in another role, has nothing done any more."""

import asyncio
from pathlib import Path

import pytest

from tests.page_answers.gate import Gate, gate

ADMINISTRATOR = {"X-Test-Person": "ada administrator"}
ACTS = (
    {"action": "dip", "tank": "TK-1", "level": "9.400 m"},
    {"action": "maintenance", "instrument": "G-1", "duration": "2 h", "why": "new head"},
    {"action": "acknowledge", "tank": "TK-1", "alarm": "level_lost"},
    {"action": "product-change", "tank": "TK-2", "product": "gasoline", "density": "742 kg/m3", "expires": "9 d"},
    {"action": "plan-transfer", "kind": "receipt", "target": "TK-1", "amount": "120 m3", "partner": "a ship"},
    {"action": "start-transfer", "kind": "dispatch", "source": "TK-1", "why": "in spite of all"},
    {"action": "amount", "kind": "receipt", "source": "rack", "product": "diesel", "amount": "9 m3", "measure": "gsv"},
)


async def _standing(there: Gate) -> tuple[object, object, object]:
    entered = (await there.client.get("/api/1/entered", headers=ADMINISTRATOR)).json()
    amounts = there.accounts.book.transfers if there.accounts.book is not None else {}
    return entered, dict(amounts), (await there.client.get("/api/1/changes", headers=ADMINISTRATOR)).json()


@pytest.mark.parametrize("asked", ACTS, ids=lambda each: each["action"])
async def test_who_is_out_when_his_turn_comes_has_nothing_done(tmp_path: Path, asked: dict[str, str]) -> None:
    async with gate(tmp_path) as there:
        there.sheets()
        await there.turn()
        before = await _standing(there)
        turns = [there.daemon.acting._turn, there.accounts._turn]
        for turn in turns:
            await turn.acquire()
        acting = asyncio.create_task(there.client.post("/api/1/act", json=asked, headers=ADMINISTRATOR))
        await asyncio.sleep(0.05)
        assert not acting.done()
        there.out.add("ada")
        for turn in turns:
            turn.release()
        answer = await acting
        assert answer.status_code == 409, answer.text
        assert answer.json()["lines"] == ["your session has ended meanwhile: nothing was done"]
        there.out.clear()
        assert await _standing(there) == before
