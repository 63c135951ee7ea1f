"""What several servers are sent of one record is made once, and never that of another."""

import pytest

from gateway.delivery.mqtt.made_once import MadeOnce
from gateway.errors import DeliveryError


class Record:
    """Equal to every other: what counts is which one it is."""

    def __init__(self, number: int) -> None:
        self.number = number

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Record)

    def __hash__(self) -> int:
        return 0


class Making:
    """Counts what it makes."""

    def __init__(self) -> None:
        self.made: list[int] = []

    def __call__(self, record: Record) -> bytes:
        self.made.append(record.number)
        if record.number < 0:
            raise DeliveryError("a number is not finite")
        return b"%d" % record.number


def test_the_same_record_is_made_once_and_an_equal_one_is_another() -> None:
    making = Making()
    message = MadeOnce(making, at_hand=4)
    records = [Record(number) for number in range(4)]
    for _server in range(3):
        assert [message(record) for record in records] == [b"0", b"1", b"2", b"3"]
    assert making.made == [0, 1, 2, 3]


def test_each_gets_its_own_however_many_come_and_go() -> None:
    """Records that are dropped at once leave their addresses to those that follow."""
    message = MadeOnce(Making(), at_hand=4)
    assert [message(Record(number)) for number in range(1000)] == [b"%d" % number for number in range(1000)]


def test_no_more_than_the_last_few_are_held() -> None:
    making = Making()
    message = MadeOnce(making, at_hand=4)
    records = [Record(number) for number in range(5)]
    for record in records:
        message(record)
    message(records[1])
    assert making.made == [0, 1, 2, 3, 4]
    message(records[0])
    assert making.made == [0, 1, 2, 3, 4, 0]


def test_what_cannot_be_made_is_said_to_each() -> None:
    making = Making()
    message = MadeOnce(making)
    record = Record(-1)
    for _server in range(2):
        with pytest.raises(DeliveryError):
            message(record)
    assert making.made == [-1, -1]
