"""Names of people: every script has its own, and none is taken for another."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.web.access.names import name_trouble, plain_name


@pytest.mark.parametrize(
    "name",
    ["anna", "Anna B", "J. O'Neil".replace("'", ""), "Đặng", "प्रिया", "நிலா", "สมชาย", "李雷", "7", "a-b_c.d", "x" * 40],
)
def test_names_of_all_scripts_may_be_had(name: str) -> None:
    assert name_trouble(plain_name(name), ()) is None


@pytest.mark.parametrize(
    "name",
    ["", "x" * 41, "a@b", "a/b", "a  b", " a", "a\tb", "a\u200bb", "-a", ".", "\u0301a", "a\u202eb", "a\nb", "🐟"],
)
def test_what_is_no_name_is_refused(name: str) -> None:
    assert name_trouble(name, ()) is not None


@pytest.mark.parametrize(("name", "other"), [("Anna", "ANNA"), ("аnna", "anna"), ("Bi11", "Bill"), ("0tto", "Otto")])
def test_a_name_that_is_taken_for_another_is_refused(name: str, other: str) -> None:
    assert f"looks like {other}" in (name_trouble(name, ["somebody", other]) or "")
    assert name_trouble(other, [other]) is None, "it is that one"


@given(st.text(max_size=60))
def test_a_name_is_the_same_on_every_keyboard(typed: str) -> None:
    name = plain_name(typed)
    assert plain_name(name) == name
    assert plain_name(unicodedata.normalize("NFD", typed)) == name
    if name_trouble(name, ()) is None:
        assert "@" not in name
        assert name.isprintable()
