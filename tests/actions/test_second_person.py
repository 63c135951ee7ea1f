"""What waits for a second person: nobody approves what he asked for himself, nothing is done twice or late."""

from datetime import UTC, datetime, timedelta

import pytest

from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.requests import ACTIONS
from gateway.actions.second_person import SecondPerson, read_decision
from gateway.errors import SettingsError
from gateway.settings.site_models import NeedsSecondPerson

NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
CHANGE = {"action": "product-change", "tank": "TK-1", "product": "gasoline", "why": "refilled"}
APPROVE = read_decision({"action": "approve", "request": "1"})
DECLINE = read_decision({"action": "decline", "request": "1", "why": "wrong tank"})


def _asked() -> SecondPerson:
    second = SecondPerson()
    second.ask(CHANGE, "anna@page", NOON, ("TK-1: product: gasoline",))
    return second


def test_what_a_site_may_ask_a_second_person_for_are_actions_that_there_are() -> None:
    assert {each.value for each in NeedsSecondPerson} <= {*ACTIONS, *ACCOUNT_ACTIONS}


def test_another_person_approves_it_once() -> None:
    second = _asked()
    waiting = second.found(APPROVE, "bob@page", NOON)
    assert (waiting.asked, waiting.by) == (CHANGE, "anna@page")
    second.take(waiting)
    with pytest.raises(SettingsError, match="request: 1 does not wait, or no longer; nothing waits"):
        second.found(APPROVE, "bob@page", NOON)


@pytest.mark.parametrize("by", ["anna@page", "anna", "Anna@page"])
def test_nobody_approves_what_he_asked_for(by: str) -> None:
    with pytest.raises(SettingsError, match="was asked for by anna@page; another person approves it"):
        _asked().found(APPROVE, by, NOON)


@pytest.mark.parametrize("by", ["anna@page", "bob@page"])
def test_whoever_may_do_it_declines_it_and_so_takes_back_who_asked(by: str) -> None:
    assert _asked().found(DECLINE, by, NOON).number == 1


def test_what_is_a_day_old_is_forgotten() -> None:
    """24 h after it was asked for, to the second."""
    second = _asked()
    last = NOON + timedelta(hours=24)
    assert second.found(APPROVE, "bob@page", last - timedelta(seconds=1)).ends == last
    with pytest.raises(SettingsError, match="does not wait"):
        second.found(APPROVE, "bob@page", last)


def test_the_same_waits_once_whatever_the_reason_given() -> None:
    second = _asked()
    with pytest.raises(SettingsError, match="the same waits already as request 1, asked for by anna@page"):
        second.ask({**CHANGE, "why": "really"}, "bob@page", NOON, ())
    second.ask({**CHANGE, "tank": "TK-2"}, "bob@page", NOON, ())
    assert [each.number for each in second.waiting(NOON)] == [1, 2]


def test_a_number_is_not_given_again() -> None:
    second = _asked()
    second.take(second.waiting(NOON)[0])
    assert second.ask(CHANGE, "anna@page", NOON, ()).number == 2


def test_no_more_waits_than_people_can_look_through() -> None:
    second = SecondPerson()
    for number in range(100):
        second.ask({**CHANGE, "tank": f"TK-{number}"}, "anna@page", NOON, ())
    with pytest.raises(SettingsError, match="100 requests wait"):
        second.ask({**CHANGE, "tank": "TK-100"}, "anna@page", NOON, ())


@pytest.mark.parametrize(
    ("given", "wrong"),
    [
        ({"action": "decline", "request": "1"}, "why: is missing"),
        ({"action": "approve", "request": "one"}, "request: "),
        ({"action": "approve", "request": 1}, "texts alone"),
        ({"action": "approve"}, "request: is missing"),
    ],
)
def test_a_decision_names_what_it_is_about(given: dict[str, object], wrong: str) -> None:
    with pytest.raises(SettingsError) as caught:
        read_decision(given)
    assert wrong in " ".join(caught.value.mistakes)
