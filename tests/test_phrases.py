"""A reason is a phrase that never changes and the values in it: no number and no name stands in a phrase, every value
that it tells is given, and no sentence is read by what calculates."""

from pathlib import Path
from string import Formatter

import pytest

from gateway.sentences import sentence
from tests.support.phrases import broken_phrases, phrases_in, texts_read

ROOT = Path(__file__).resolve().parent.parent

PACKAGES = ("gateway",)
"""Whose phrases never change."""
MADE = {
    "gateway.calculation.temperature.element_reasons": "a reason without the name that has just been told",
    "gateway.payload.reader": "a message has the sentence alone, which then is the phrase, without values",
}
"""Where a phrase is made of another one, and what for."""
UNREAD = ("gateway.calculation", "gateway.binding")
"""Who reads no sentence."""


@pytest.mark.parametrize("package", PACKAGES)
def test_no_phrase_changes_and_each_is_given_what_it_tells(package: str) -> None:
    broken = [each for each in broken_phrases(ROOT, package) if each.module not in MADE]
    assert not broken, "\n".join(f"{module}:{line}: {why}" for module, line, why in broken)


def test_each_exception_is_still_needed() -> None:
    found = [each.module for package in PACKAGES for each in broken_phrases(ROOT, package)]
    assert {each for each in found if each in MADE} == MADE.keys()


@pytest.mark.parametrize("package", UNREAD)
def test_no_sentence_is_read(package: str) -> None:
    broken = list(texts_read(ROOT, package))
    assert not broken, "\n".join(f"{module}:{line}: {why}" for module, line, why in broken)


@pytest.mark.parametrize("package", PACKAGES)
def test_each_phrase_can_be_told(package: str) -> None:
    """Each form and each unit in a phrase is one: else the mistake shows only when somebody is to be told it."""
    phrases = list(phrases_in(ROOT, package))
    assert len(phrases) > 60
    for phrase in phrases:
        sentence(phrase.text, [(name, 1.0) for _, name, _, _ in Formatter().parse(phrase.text) if name])


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('because(CODE, f"{level:.3f} m")', "is no phrase that never changes"),
        ('because(CODE, "level of " + tank, x=1.0)', "is no phrase that never changes"),
        ('because(CODE, "level {level:.3f} m".format(level=1.0))', "is no phrase that never changes"),
        ("Reason(CODE, text)", "text is no phrase that never changes"),
        ("Reason(CODE, phrase=text)", "text is no phrase that never changes"),
        ("reason._replace(phrase=text)", "text is no phrase that never changes"),
        ("because(CODE, NONE_SUCH, x=1.0)", "NONE_SUCH is no phrase that never changes"),
        ("because(CODE, MADE, x=1.0)", "MADE is no phrase that never changes"),
        ('because(CODE, "{level:.3f} m", height=1.0)', "tells ['level'] and is given ['height']"),
        ("because(CODE, ONE if is_so else OTHER, level=1.0)", "tells ['tank'] and is given ['level']"),
        ("because(CODE, TABLE[key], level=1.0)", "tells ['tank'] and is given ['level']"),
        ('figure.not_applicable(f"no {what}")', "is no phrase that never changes"),
        ('figure.from_last_good(a, b, c, d, "it stands in")', "tells [] and is given ['age']"),
        ('because(CODE, "{level:.3f} m", level=1.0)', ""),
        ("because(CODE, ONE, level=1.0)", ""),
        ('because(CODE, "it is so")', ""),
        ('Reason(CODE, "it is so")', ""),
        ("because(code, phrase, **values)", ""),
    ],
)
def test_the_rule_can_fail(tmp_path: Path, line: str, says: str) -> None:
    (tmp_path / "gateway").mkdir()
    (tmp_path / "gateway" / "a.py").write_text(
        f'ONE = "{{level:.3f}} m"\nOTHER = "{{tank}}"\nTABLE = {{1: "{{tank}}"}}\nMADE = ONE + OTHER\nx = {line}\n'
    )
    found = [each.why for each in broken_phrases(tmp_path, "gateway")]
    assert len(found) == (1 if says else 0)
    assert all(says in each for each in found)


def test_the_rule_of_sentences_can_fail(tmp_path: Path) -> None:
    (tmp_path / "gateway").mkdir()
    (tmp_path / "gateway" / "a.py").write_text("def f(reason):\n    return reason.text\n")
    assert [each.why for each in texts_read(tmp_path, "gateway")] == ["reads reason.text"]
