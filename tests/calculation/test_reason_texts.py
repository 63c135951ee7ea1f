"""What people have been told stays word for word: sentences that sheets gave before their phrases and values parted."""

import csv
from collections.abc import Iterator
from pathlib import Path

from gateway.calculation.inventory import sheet
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.records import Inventory
from tests.calculation.test_recalculation import _Field
from tests.test_restart import STORIES, Life
from tests.test_tank_record import ALL_PLANS

TEXTS = Path(__file__).parent / "reason_texts.csv"
"""Of each phrase that these sheets tell, one sentence."""
SEEDS = range(2)


def test_every_sentence_is_told_as_it_always_was() -> None:
    with TEXTS.open(encoding="utf-8", newline="") as lines:
        rows = [(row["code"], row["text"]) for row in csv.DictReader(lines)]
    told = {(str(reason.code), reason.text) for sheet in _sheets() for each in sheet.figures for reason in each.reasons}
    assert len(rows) > 60
    assert [row for row in rows if row not in told] == []


def _sheets() -> Iterator[Inventory]:
    for plan in ALL_PLANS.values():
        for seed in SEEDS:
            memory = EMPTY_MEMORY
            for each in _Field(seed).inputs(plan):
                inventory, memory, _ = sheet(plan, each, memory)
                yield inventory
    for story in STORIES:
        life = Life(story)
        life.poll(1_000.0)
        life.hear_nothing(90.0)
        life.poll(100.0)
        yield from (record.inventory for record in life.records)
