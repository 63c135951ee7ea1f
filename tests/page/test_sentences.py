"""Sentences of the gateway on the page: as the gateway tells them, in any units with the right numbers, and in German
by phrases that the gateway has, with the same names in them.
"""

import ast
import json
import re
from fractions import Fraction
from string import Formatter
from typing import Any

import pytest

from gateway.payload.told import reasons_in, sentence_documents
from gateway.reasons import ReasonValue
from gateway.records import ReasonCode, because
from gateway.sentences import sentence, told_parts
from gateway.settings.watch.defaults import DEFAULTS
from gateway.units.quantity import Dimension
from tests.page.reading import Page
from tests.page.site_process import ROOT
from tests.page.static_server import WEB

_HOLES = re.compile(r"\{(\w+)\}")
_TELL = """
const [sentences, units, language] = arguments;
const { change } = await import("/page/code/taste.js");
const { learn } = await import("/page/code/known_sentences.js");
const { told } = await import("/page/code/sentences.js");
const { speak, phraseFor } = await import("/page/code/words.js");
change({ units, language, numbers: language });
await speak(language);
const until = Date.now() + 10_000;
const here = () => language === "en" || phraseFor("there is no level") !== undefined;
while (!here() && Date.now() < until) await new Promise((go) => setTimeout(go, 20));
learn("test", sentences);
return sentences.map(({ text }) => told(text));
"""


def _tells(page: Page, sentences: list[dict[str, Any]], units: str, language: str = "en") -> list[str]:
    told: list[str] = page.promise(_TELL, sentences, units, language)
    return told


def _phrases() -> set[str]:
    """Every constant text of the gateway, as a phrase without the forms of its values."""
    found = set()
    for path in (ROOT / "gateway").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.add(_bare(node.value))
    return found


def _bare(phrase: str) -> str:
    """As the page is told it: by what `sentence_documents` makes of it with any values."""
    try:
        names = {name for _, name, _, _ in Formatter().parse(phrase) if name}
    except ValueError:
        return phrase
    if not names or not all(name.isidentifier() for name in names):
        return phrase
    forms = {name: form or "" for _, name, form, _ in Formatter().parse(phrase) if name}
    values = {name: 1.0 if form and form != "behind" else "degC" for name, form in forms.items()}
    try:
        (document,) = sentence_documents([because(ReasonCode.STALE, phrase, **values)])
    except (ValueError, TypeError):
        return phrase
    bare: str = document["phrase"]
    return bare


def test_each_german_phrase_is_one_of_the_gateway_with_the_same_values() -> None:
    german: dict[str, str] = json.loads((WEB / "page" / "languages" / "sentences_de.json").read_text("utf-8"))
    assert sorted(set(german) - _phrases()) == []
    apart = [
        phrase for phrase, said in german.items() if sorted(_HOLES.findall(phrase)) != sorted(_HOLES.findall(said))
    ]
    assert apart == []
    assert [phrase for phrase, said in german.items() if not said.strip() or said == phrase] == []


def test_every_card_of_an_alarm_is_in_german() -> None:
    german = json.loads((WEB / "page" / "languages" / "sentences_de.json").read_text("utf-8"))
    cards = {text for each in DEFAULTS.values() for text in (each.consequence, each.action)}
    assert sorted(cards - set(german)) == []


def test_no_phrase_has_a_number_whose_unit_is_only_a_word() -> None:
    """`{level:.3f} m` would stay metres for whoever reads feet."""
    literal = re.compile(r"\{\w+:[^{}\s]*[fg]\} (?:m|m3|degC|kg/m3|Pa)\b")
    found = []
    for part in ("calculation", "watch", "account"):
        for path in (ROOT / "gateway" / part).rglob("*.py"):
            tree = ast.parse(path.read_text("utf-8"))
            inside = {id(each) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for each in node.values}
            found += [
                (path.name, node.value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Constant)
                and isinstance(node.value, str)
                and id(node) not in inside
                and literal.search(node.value)
                and path.name != "door.py"
            ]
    assert found == []


def test_what_a_sentence_is_made_of_is_the_sentence() -> None:
    phrase = (
        "{who}: {level:mm +.0f} since {since:utc} for {age:duration}, {value:.7g}{unit:behind}, {spread:apart degC .1f}"
    )
    values: dict[str, ReasonValue] = {
        "who": "LT",
        "level": -0.012,
        "since": 1.7e9,
        "age": 90.0,
        "value": 21.5,
        "unit": "degC",
        "spread": 2.0,
    }
    reason = because(ReasonCode.STALE, phrase, **values)
    parts = told_parts(reason.phrase, reason.values)
    assert "".join(part.words + part.text for part in parts) == reason.text == sentence(phrase, reason.values)
    (document,) = sentence_documents([reason, reason])
    assert document["values"]["spread"] == {"text": "2.0 degC", "value": 2.0, "unit": "K"}
    assert document["values"]["value"] == {"text": "21.5 degC", "value": 21.5, "unit": "degC"}
    filled = _HOLES.sub(lambda hole: _text(document["values"][hole[1]]), document["phrase"])
    assert filled == reason.text
    assert [part.kind for part in told_parts("{x:kPa .1f}", [("x", 1.0)])] == [Dimension.GAUGE_PRESSURE]
    (apart,) = sentence_documents([because(ReasonCode.STALE, "{a:bare m .1f} to {b:m .1f}", a=1.0, b=2.0)])
    assert (apart["text"], apart["values"]["a"]["text"]) == ("1.0 to 2.0 m", "1.0 m")
    # However deep a reason stands, and once.
    assert reasons_in(({"a": [reason]}, reason)) == [reason]


def _text(value: Any) -> str:
    return value if isinstance(value, str) else str(value["text"])


_M_FT = Fraction("0.3048")
_M3_BBL = Fraction("0.158987294928")
"""42 US gallons of 231 in3."""


@pytest.mark.outside("NIST Special Publication 811, appendix B: foot, inch, barrel, degree Fahrenheit")
def test_numbers_in_sentences_follow_the_reader(modules: Page) -> None:
    reasons = [
        because(
            ReasonCode.ABOVE_LIMIT, "level {level:m .3f} has reached high-high, {limit:m .3f}", level=9.1, limit=9.0
        ),
        because(
            ReasonCode.STALE,
            "moved by {level:mm +.0f}, {amount:m3 +.2f} at {rate:m3/h .0f}",
            level=-0.0125,
            amount=3.0,
            rate=0.1,
        ),
        because(ReasonCode.STRATIFIED, "elements used differ by {spread:apart degC .1f}", spread=12.5),
        because(ReasonCode.STALE, "went from {before:degC .1f} to {now:degC .1f}", before=-40.0, now=100.0),
    ]
    told = sentence_documents(reasons)
    assert _tells(modules, told, "metric") == [
        "level 9.100 m has reached high-high, 9.000 m",
        "moved by -12 mm, +3.00 m³ at 360 m³/h",
        "elements used differ by 12.5 °C",
        "went from -40.0 °C to 100.0 °C",
    ]
    level, moved, spread, went = _tells(modules, told, "us")
    # 9.1 m are 29 ft 10 1/4 in and 0.03 in; 9 m are 29 ft 6 5/16 in and 0.02 in.
    assert level == "level 29' 10 1/4\" has reached high-high, 29' 6 5/16\""
    bbl, bbl_h = 3 / _M3_BBL, 360 / _M3_BBL
    inches = Fraction("-0.0125") / _M_FT * 12
    assert moved == f"moved by {float(inches):.2f} in, +{float(bbl):.1f} bbl at {round(bbl_h):,} bbl/h"
    # Apart by 12.5 K are 22.5 °F; -40 is the same in both.
    assert spread == "elements used differ by 22.5 °F"
    assert went == "went from -40.0 °F to 212.0 °F"
    assert _tells(modules, told, "metric", "de")[:3] == [
        "Füllstand 9,100 m hat hoch-hoch, 9,000 m, erreicht",
        "moved by -12 mm, +3,00 m³ at 360 m³/h",
        "benutzte Messstellen liegen um 12,5 °C auseinander",
    ]
    # What nobody has told the parts of stands as it is, whatever it looks like.
    assert (
        modules.promise("const { told } = await import('/page/code/sentences.js'); return told('{x} 3 m')") == "{x} 3 m"
    )
