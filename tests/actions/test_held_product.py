"""What a tank held at any instant, by the papers of it alone: for accounts, and for whoever reads a ledger."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from gateway.actions.held_product import (
    HeldProduct,
    Word,
    held_at,
    held_document,
    held_from,
    held_now,
    histories,
)

BEGUN = datetime(2026, 11, 28, 6, tzinfo=UTC)


def held(product: str, hours: float, word: Word = Word.CHANGED, tank: str = "TK-1") -> HeldProduct:
    by = "" if word is Word.BEGUN else "anna"
    return HeldProduct(tank, product, BEGUN + timedelta(hours=hours), word, by, BEGUN, "why", {})


FIRST = held("diesel", 0.0, Word.BEGUN)


def at(papers: list[HeldProduct], hours: float) -> str | None:
    found = held_at(histories(papers)["TK-1"], BEGUN + timedelta(hours=hours))
    return None if found is None else found.product


def test_each_holds_until_the_next_and_before_the_first_nothing_is_known() -> None:
    papers = [FIRST, held("jet", 8.0), held("gasoline", 3.0), held("tar", 0.0, tank="TK-2")]
    assert [at(papers, hours) for hours in (-0.01, 0.0, 2.99, 3.0, 7.99, 8.0, 999.0)] == [
        None,
        "diesel",
        "diesel",
        "gasoline",
        "gasoline",
        "jet",
        "jet",
    ]


def test_of_one_instant_the_newest_counts_and_what_is_withdrawn_no_more() -> None:
    assert at([FIRST, held("jet", 1.0), held("gasoline", 1.0)], 2.0) == "gasoline"
    assert at([FIRST, held("jet", 1.0), held("jet", 1.0, Word.WITHDRAWN)], 2.0) == "diesel"
    assert at([FIRST, held("jet", 1.0, Word.PLANNED), held("jet", 1.0)], 2.0) == "jet"


def test_a_change_that_is_dated_before_the_ledger_stands_over_the_word_of_the_site_file() -> None:
    """Who entered it knew more than the file: the tank held jet when the ledger was begun, and holds it still."""
    papers = [FIRST, held("jet", -5.0)]
    assert [at(papers, hours) for hours in (-6.0, -5.0, 0.0, 1.0)] == [None, "jet", "jet", "jet"]
    assert at([*papers, held("jet", -5.0, Word.WITHDRAWN)], 1.0) == "diesel"


def test_a_change_to_come_has_not_come_and_one_that_came_stays_whatever_the_clock_says() -> None:
    to_come = histories([FIRST, held("jet", 2.0, Word.PLANNED)])["TK-1"]
    came = histories([FIRST, held("jet", 2.0)])["TK-1"]
    for hours, planned, changed in ((1.0, "diesel", "jet"), (2.0, "jet", "jet")):
        now = BEGUN + timedelta(hours=hours)
        assert [found.product for history in (to_come, came) if (found := held_now(history, now))] == [planned, changed]


def test_it_is_read_back_from_its_paper() -> None:
    given = held("jet", 1.5)._replace(density={"value": "802 kg/m3", "expires": "31 d"})
    assert held_from(json.dumps(held_document(given))) == given


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"schema": "tank-gateway/product/9"}, "it is no 'tank-gateway/product/1'"),
        ({"since": None}, "it lacks "),
        ({"since": "2026-11-28T06:00:00"}, "its times have no zone"),
        ({"what": "moved"}, "'moved' is not a valid Word"),
        ({"density": []}, "it lacks "),
        ({"why": "x" * 20_000}, "longer than"),
    ],
)
def test_what_is_no_such_paper_is_refused(change: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        held_from(json.dumps({**held_document(FIRST), **change}))
