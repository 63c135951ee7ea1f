"""YAML read strictly: text stays text, every value knows its line, what cannot be meant is refused."""

from contextlib import suppress

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import SettingsError
from gateway.settings.reading.yaml_tree import ListNode, MappingNode, TextNode, parse_yaml, plain


def _mistakes(text: str) -> list[str]:
    return parse_yaml(text, "f.yaml")[1]


def test_scalars_stay_text() -> None:
    text = "a: no\nb: 12:00\nc: 0x10\nd: 1e3\ne: ~\nf: 2026-11-25\ng: 'yes'\nh: 49'6\"\ni: 80 %\nj:\n"
    root, mistakes = parse_yaml(text, "f.yaml")
    assert mistakes == []
    assert plain(root) == {
        "a": "no",
        "b": "12:00",
        "c": "0x10",
        "d": "1e3",
        "e": "~",
        "f": "2026-11-25",
        "g": "yes",
        "h": "49'6\"",
        "i": "80 %",
        "j": "",
    }


def test_every_value_knows_its_line() -> None:
    root, _ = parse_yaml("# comment\n\na:\n  b: {c: 1,\n      d: 2}\n  e:\n    - x\n    - y\n", "f.yaml")
    block = root.items["a"]
    assert isinstance(block, MappingNode)
    inner = block.items["b"]
    assert isinstance(inner, MappingNode)
    assert [str(inner.key_places[key]) for key in "cd"] == ["f.yaml:4", "f.yaml:5"]
    listed = block.items["e"]
    assert isinstance(listed, ListNode)
    assert [item.place.line for item in listed.items] == [7, 8]
    assert all(isinstance(item, TextNode) for item in listed.items)


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        ("a: 1\nb: 2\na: 3\n", "f.yaml:3: a: is already given in line 1; keep one of the two"),
        ("a: {b: 1, b: 2}\n", "f.yaml:1: a.b: is already given in line 1; keep one of the two"),
        ("a: &x 1\n", "f.yaml:1: a: &x is an anchor; write the value out where it is used"),
        ("a: [1, *x]\n", "f.yaml:1: a[2]: *x is an alias; write the value out where it is used"),
        ("a:\n  <<: {b: 1}\n", "f.yaml:2: a: << is a merge key; write the values out where they are used"),
        ("a: !!int 1\n", "f.yaml:1: a: !!int is a YAML tag; leave it out, every value is read as text"),
        ("a: !x 1\n", "f.yaml:1: a: !x is a YAML tag; leave it out, every value is read as text"),
        ("? [a, b]\n: 1\n", "f.yaml:1: a key must be one word, not a list or a mapping"),
        ("a: 1\n---\nb: 2\n", "f.yaml:2: begins a second document with `---`; give one site per file"),
    ],
)
def test_refuses_what_hides_values(text: str, mistake: str) -> None:
    assert _mistakes(text) == [mistake]


@given(st.text(st.characters(codec="utf-8")), st.text(st.characters(codec="utf-8")))
def test_a_character_that_no_text_has_is_named_with_its_line(before: str, after: str) -> None:
    """YAML 1.1, section 5.1: C0 but tab and line ends, DEL, C1 but next line, the surrogates and two that are none."""
    text = "".join(letter for letter in before if yaml.reader.Reader.NON_PRINTABLE.search(letter) is None)
    # str.splitlines knows the ends of lines of YAML 1.1 and some more, which are foreign here.
    line = len(f"{text}|".splitlines())
    for foreign in "\0\x07\x1b\x7f\x9f\ufffe":
        with pytest.raises(SettingsError) as caught:
            parse_yaml(f"{text}{foreign}{after}", "f.yaml")
        said = f"f.yaml:{line}: holds the control character U+{ord(foreign):04X}; take it out"
        assert caught.value.mistakes == (said,)


@given(st.text())
def test_any_text_is_a_tree_or_a_sentence(text: str) -> None:
    with suppress(SettingsError):
        parse_yaml(text, "f.yaml")


def test_several_mistakes_in_one_file() -> None:
    assert len(_mistakes("a: &x 1\nb: !!int 2\na: 3\n")) == 3


@pytest.mark.parametrize("text", ["a: [1, 2\nb: 3\n", "a: 'open\n", "a: b: c\n", "\ta: 1\n", "%x\n"])
def test_text_that_is_not_yaml_is_one_line_with_its_place(text: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_yaml(text, "f.yaml")
    (message,) = caught.value.mistakes
    assert message.startswith("f.yaml:")
    assert "is not valid YAML: " in message
    assert "\n" not in message


@pytest.mark.parametrize("text", ["", "# only a comment\n", "- a\n- b\n", "word\n"])
def test_a_file_without_keys_is_refused(text: str) -> None:
    with pytest.raises(SettingsError, match=r"f\.yaml:1: holds no keys at its top"):
        parse_yaml(text, "f.yaml")


def test_deep_nesting_is_refused_before_it_exhausts_the_stack() -> None:
    with pytest.raises(SettingsError, match="is nested more than 32 deep"):
        parse_yaml("a: " + "[" * 60 + "]" * 60 + "\n", "f.yaml")
    with pytest.raises(SettingsError, match="nest"):
        parse_yaml("a: " + "[" * 5000 + "]" * 5000 + "\n", "f.yaml")
