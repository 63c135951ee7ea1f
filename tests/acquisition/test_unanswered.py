"""What a unit owes is told from what is awaited."""

import pytest

from gateway.acquisition.framing import ReadRequest
from gateway.acquisition.register_map import Table
from gateway.acquisition.unanswered import Unanswered

LEVEL = ReadRequest(3, Table.HOLDING_REGISTERS, 0, 2)
WATER = ReadRequest(3, Table.HOLDING_REGISTERS, 40, 2)


@pytest.mark.parametrize(
    ("owed", "refused", "sure"),
    [
        (WATER, False, False),
        (WATER._replace(quantity=3), False, True),  # another length
        (WATER._replace(quantity=3), True, False),  # an exception has none
        (WATER._replace(table=Table.INPUT_REGISTERS), False, True),
        (WATER._replace(table=Table.INPUT_REGISTERS), True, True),
        (WATER._replace(unit=4), False, True),
        (LEVEL, False, False),
        (LEVEL, True, False),
    ],
)
def test_only_what_looks_alike_is_doubted(owed: ReadRequest, refused: bool, sure: bool) -> None:
    unanswered = Unanswered()
    unanswered.add(owed)
    assert unanswered.is_answer_to(LEVEL, refused=refused) is sure
    assert unanswered.is_answer_to(LEVEL, refused=refused), "asked a second time it is taken"


def test_what_is_owed_is_not_forgotten_where_the_request_made_again_is_not_answered_either() -> None:
    unanswered = Unanswered()
    unanswered.add(WATER)
    unanswered.add(WATER._replace(quantity=3))
    assert not unanswered.is_answer_to(LEVEL, refused=False)
    unanswered.add(LEVEL)
    assert not unanswered.is_answer_to(LEVEL._replace(quantity=3), refused=False)


def test_bits_look_alike_where_they_fill_as_many_bytes() -> None:
    unanswered = Unanswered()
    asked = ReadRequest(3, Table.COILS, 0, 9)
    unanswered.add(asked._replace(address=5, quantity=16))
    assert not unanswered.is_answer_to(asked, refused=False)


def test_what_is_answered_ends_the_debt_of_its_unit() -> None:
    unanswered = Unanswered()
    unanswered.add(LEVEL)
    unanswered.add(WATER._replace(unit=4))
    assert unanswered.is_answer_to(LEVEL._replace(quantity=1), refused=False)
    assert unanswered.is_answer_to(WATER, refused=False)
    assert not unanswered.pays(3)
    assert unanswered.pays(4)


def test_as_many_frames_as_requests_are_owed() -> None:
    unanswered = Unanswered()
    for _ in range(2):
        unanswered.add(LEVEL)
    assert not unanswered.pays(None)
    assert [unanswered.pays(3) for _ in range(3)] == [True, True, False]
