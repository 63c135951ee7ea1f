"""What people are told: a phrase and its values, in SI until they are told."""

import pytest

from gateway.records import ReasonCode, because
from gateway.sentences import duration_words, sentence


@pytest.mark.parametrize(
    ("phrase", "value", "told"),
    [
        ("{x:.1f} degC", 21.26, "21.3 degC"),
        ("{x:kPa .1f}", 101_325.0, "101.3 kPa"),
        ("{x:mm .0f}", 0.0125, "12 mm"),
        ("{x:mm .0f}", 1.3335, "1334 mm"),
        ("{x:degC .1f}", 0.04, "0.0 degC"),
        ("{x:m3/h .0f}", 0.1, "360 m3/h"),
        ("{x:.0%}", 0.3, "30%"),
        ("{x:duration}", 5400.0, "90 min"),
        ("{x:utc}", 1_773_489_600.0, "2026-03-14 12:00 UTC"),
        ("7{x:behind}", "kg/m3", "7 kg/m3"),
        ("7{x:behind}", "", "7"),
        ("{x} times", 3, "3 times"),
        ("{{{x}}}", "LT-1", "{LT-1}"),
    ],
)
def test_each_way_to_tell_a_value(phrase: str, value: float | str, told: str) -> None:
    assert sentence(phrase, [("x", value)]) == told


def test_a_reason_within_a_reason_is_told_as_its_own_sentence() -> None:
    cause = because(ReasonCode.NO_ANSWER, "{who} did not answer within {limit:.1f} s", who="LT-{1}", limit=1.0)
    reason = because(ReasonCode.STALE, "last read {age:duration} ago: {cause}", age=75.0, cause=cause)
    assert reason.text == "last read 75 s ago: LT-{1} did not answer within 1.0 s"
    assert reason.code == ReasonCode.STALE


def test_a_phrase_without_values_stands_as_it_is() -> None:
    assert because(ReasonCode.MANUAL, "braces {like these} stay").text == "braces {like these} stay"


def test_a_name_without_a_value_and_a_unit_that_is_none_are_mistakes_of_the_program() -> None:
    with pytest.raises(KeyError):
        sentence("{y}", [("x", 1.0)])
    with pytest.raises(ValueError, match=r"'furlong' in 'furlong .1f' is no unit"):
        sentence("{x:furlong .1f}", [("x", 1.0)])


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.0, "0 s"), (119.4, "119 s"), (120.0, "2 min"), (7199.0, "120 min"), (7200.0, "2.0 h")]
)
def test_lengths_of_time(seconds: float, words: str) -> None:
    assert duration_words(seconds) == words
