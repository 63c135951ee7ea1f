"""Every word that the door takes has a row that says who may ask for it, and nobody may more than his work needs."""

import pytest

from gateway.actions.account_requests import ACCOUNT_ACTIONS
from gateway.actions.asked_by import may_ask
from gateway.actions.entry import PRODUCT, QUANTITIES
from gateway.actions.requests import ACTIONS
from gateway.actions.second_person import SECOND_PERSON_ACTIONS
from gateway.permits import LIST, PERMITS, READ_CHANGES, READ_PEOPLE, SITE_FILE, may, words_for
from gateway.person import Person, Role

ACTING = {*ACTIONS, *ACCOUNT_ACTIONS, *SECOND_PERSON_ACTIONS}
READING = {LIST, READ_CHANGES, READ_PEOPLE, SITE_FILE}


def test_every_word_has_a_row_and_every_row_a_word() -> None:
    assert set(PERMITS) == ACTING | READING


def test_a_viewer_does_nothing_and_an_administrator_may_everything() -> None:
    assert set(words_for(Role.VIEWER)) == {LIST}
    assert set(words_for(Role.ADMINISTRATOR)) == ACTING | READING


def test_the_order_of_roles_is_that_of_the_trade() -> None:
    assert [role.value for role in Role] == ["viewer", "operator", "technician", "accountant", "administrator"]


@pytest.mark.parametrize(
    ("role", "does", "does_not"),
    [
        (Role.OPERATOR, ["acknowledge", "shelve", "dip", "start-transfer"], ["density", "maintenance", "close-day"]),
        (
            Role.TECHNICIAN,
            ["acknowledge", "dip", "maintenance", "out-of-service"],
            ["density", "amount", READ_PEOPLE, SITE_FILE],
        ),
        (Role.ACCOUNTANT, ["density", "reverse-ticket", "close-day", "product-change"], ["acknowledge", "dip"]),
    ],
)
def test_each_role_does_its_work_and_no_other(role: Role, does: list[str], does_not: list[str]) -> None:
    assert [word for word in does if not may(role, word)] == []
    assert [word for word in does_not if may(role, word)] == []


def test_whoever_may_enter_a_value_may_take_it_back_and_nobody_else() -> None:
    entered_by = {"level": "dip", "water": "dip", "temperature": "temperature", "density": "density"}
    entered_by |= {"sediment_water": "sediment-water", PRODUCT: "product-change"}
    assert set(entered_by) == {*QUANTITIES, PRODUCT}
    for role in Role:
        for quantity, word in entered_by.items():
            request = {"action": "withdraw", "tank": "TK-1", "quantity": quantity, "why": "typed wrong"}
            assert may_ask(role, request) is may(role, word), (role, quantity)


def test_a_word_that_is_not_known_is_for_nobody() -> None:
    assert not any(may(role, "open-valve") or may_ask(role, {"action": "open-valve"}) for role in Role)
    assert not any(may_ask(role, {}) for role in Role)


def test_a_person_of_the_page_is_named_as_no_user_of_the_machine_is() -> None:
    assert Person("anna", Role.OPERATOR).signature == "anna@page"
