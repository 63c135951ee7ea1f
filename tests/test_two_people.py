"""Whether two count as two people. What is expected is made by other ways than the code's: closures of a table."""

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import product

import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from gateway.two_people import GIFTS, Given, count_of, in_the_way, noted, signed, ties, told_to

NOON_S = datetime(2026, 11, 28, 12, tzinfo=UTC).timestamp()
NAMES = ("anna", "bob", "carl", "dora")
givers = st.sampled_from([*(f"{name}@page" for name in NAMES), "anna@works", "root"])
gifts = st.lists(st.tuples(st.sampled_from(NAMES), givers, st.sampled_from(GIFTS)), max_size=8)


def _kept(*made: tuple[str, str, str]) -> tuple[Given, ...]:
    kept: tuple[Given, ...] = ()
    for number, (to, by, what) in enumerate(made):
        kept = noted(kept, to, by, what, NOON_S + 86_400.0 * number)
    return kept


def _closure(pairs: set[tuple[str, str]]) -> set[tuple[str, str]]:
    """Warshall, "A theorem on Boolean matrices", Journal of the ACM 9 (1962)."""
    found = set(pairs)
    names = sorted({name for pair in pairs for name in pair})
    for middle, one, other in product(names, names, names):
        if (one, middle) in found and (middle, other) in found:
            found.add((one, other))
    return found


@drawn(before=gifts, after=gifts)
def test_nobody_approves_who_was_brought_in_for_it(
    before: list[tuple[str, str, str]], after: list[tuple[str, str, str]]
) -> None:
    """For anything that people gave one another, before and after it was asked for: bob may approve what anna asked
    for unless something leads to him from her, or from the terminal, by what was given after."""
    count = count_of(_kept(*before))
    kept = _kept(*before, *after)
    steps = {("anna" if by == "root" else by.partition("@")[0], to) for to, by, _ in after}
    leads = ("anna", "bob") in _closure({(by, to) for by, to in steps if by != to} | {("anna", "anna")})
    assert bool(in_the_way("anna@page", "bob@page", count, kept)) is leads
    assert in_the_way("anna@page", "bob", count, kept) == in_the_way("anna@page", "bob@page", count, kept)


@drawn(made=gifts)
def test_what_ties_two_is_told_whichever_of_them_asks(made: list[tuple[str, str, str]]) -> None:
    kept = _kept(*made)
    steps = {(by.partition("@")[0], to) for to, by, _ in made if "@" in by}
    closure = _closure({(by, to) for by, to in steps if by != to})
    direct = ("anna", "bob") in closure or ("bob", "anna") in closure
    common = any((by, "anna") in steps and (by, "bob") in steps for by in NAMES if by not in ("anna", "bob"))
    found = ties("anna@page", "bob@page", kept)
    assert bool(found) is (direct or common)
    assert {each.to for each in found} <= {*NAMES}
    if ("anna", "bob") in steps or ("bob", "anna") in steps:
        assert all({each.to, each.by.partition("@")[0]} == {"anna", "bob"} for each in found)


def test_it_is_told_in_words() -> None:
    kept = _kept(("bob", "anna@page", "invited"))
    assert in_the_way("anna@page", "bob@page", 0, kept) == (
        "was asked for by anna@page, and after that anna@page invited bob on 2026-11-28; a third person approves it"
    )
    assert in_the_way("anna@page", "bob@page", count_of(kept), kept) == ""
    known = ties("anna@page", "bob@page", kept)
    assert signed("anna@page", "bob@page", known) == (
        "anna@page, approved by bob@page, whom anna@page invited on 2026-11-28"
    )
    assert told_to("anna@page", "bob@page", count_of(kept), kept) == {
        "in_the_way": "",
        "ties": [{"by": "anna@page", "to": "bob", "what": "invited", "day": "2026-11-28"}],
    }


def test_who_came_from_the_terminal_is_nobody_in_particular() -> None:
    kept = _kept(("bob", "root", "password"))
    assert "root at the terminal gave bob a code for a new password on 2026-11-28" in in_the_way(
        "anna@page", "bob@page", 0, kept
    )
    assert ties("anna@page", "bob@page", kept) == ()


@pytest.mark.parametrize("user", ["root", "Root", "gateway"])
def test_whoever_is_called_as_a_user_of_the_machine_came_from_the_terminal_as_all_others(user: str) -> None:
    """Else whoever has the terminal asks as anna@page, lets root in by the user root, and approves as root@page."""
    kept = _kept((user, user.lower(), "invited"))
    assert "at the terminal invited" in in_the_way("anna@page", f"{user}@page", 0, kept)
    over = _kept((user, user.lower(), "invited"), ("bob", f"{user}@page", "invited"))
    assert in_the_way("anna@page", "bob@page", 0, over)
    # A role that somebody changes for himself brings nobody in.
    assert in_the_way("anna@page", "bob@page", 0, _kept(("bob", "bob@page", "role"))) == ""


@pytest.mark.parametrize(
    ("made", "said"),
    [
        ([("anna", "bob@page", "invited")], " (bob@page invited anna on 2026-11-28)"),
        (
            [("carl", "anna@page", "invited"), ("bob", "carl@page", "role")],
            " (anna@page invited carl on 2026-11-28; carl@page gave bob another role on 2026-11-29)",
        ),
        (
            [("anna", "dora@page", "invited"), ("bob", "dora@page", "invited")],
            " (dora@page invited anna on 2026-11-28; dora@page invited bob on 2026-11-29)",
        ),
        ([("bob", "bob@page", "role"), ("carl", "anna@page", "invited")], ""),
    ],
)
def test_every_way_from_one_to_the_other_is_told(made: Sequence[tuple[str, str, str]], said: str) -> None:
    known = ties("anna@page", "bob@page", _kept(*made))
    assert signed("anna@page", "bob@page", known) == f"anna@page, approved by bob@page{said}"


def test_of_the_same_again_the_newest_is_kept_and_the_count_goes_on() -> None:
    kept = _kept(("bob", "anna@page", "invited"), ("carl", "anna@page", "invited"), ("bob", "anna@page", "invited"))
    assert [each.to for each in kept] == ["carl", "bob"]
    assert kept[0].number < kept[1].number == count_of(kept)
    # A day after it a clock that was set back by two changes nothing of that.
    after = noted(kept, "dora", "anna@page", "invited", NOON_S - 86_400.0)
    assert count_of(after) == count_of(kept) + 1


@drawn(before=gifts, restored=st.integers(0, 8))
def test_a_file_of_people_that_was_put_back_lets_nobody_in(before: list[tuple[str, str, str]], restored: int) -> None:
    """Asked for after all of these; the file is one of before some of them, and then anna lets bob in."""
    asked_at = count_of(_kept(*before))
    old = _kept(*before[:restored])
    kept = noted(old, "bob", "anna@page", "invited", NOON_S + 86_400.0 * 9)
    assert in_the_way("anna@page", "bob@page", asked_at, kept)
