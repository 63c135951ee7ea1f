"""Sentences of the gateway on the page: as the gateway tells them, in any units with the right numbers, and in German
by phrases that the gateway has, with the same names in them.
"""

import ast
import json
import re
from fractions import Fraction
from pathlib import Path
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
from tests.support.phrases import phrases_in
from tests.support.spoken import constants, formatted, outline, phrases_with_values, words_of

_HOLES = re.compile(r"\{(\w+)\}")
TYPED = ("gateway.commands",)
"""Who tells people at a terminal alone."""
QUOTES_KEYS = {"stands in for a water probe, and there is none; give free_water: {kind: dip, ...} instead"}
"""Mistakes of a site file: they quote its keys, and stay as they are."""
OF_LIBRARIES = {
    "unable to get local issuer certificate",  # OpenSSL, X509_verify_cert_error_string(3)
    "self-signed certificate",
    "certificate is not yet valid",
    "Connection refused",  # strerror(3)
    "no such file or directory",
}
"""What systems and libraries say, and the gateway passes on. Others stay as they come."""
SPOKEN = (
    "gateway.actions",
    "gateway.desk",
    "gateway.account",
    "gateway.acquisition.links",
    "gateway.modbus",
    "gateway.acting",
    "gateway.approving",
    "gateway.watch.alarms.commands",
    "gateway.page_answers",
    "gateway.units.quantity",
    "gateway.units.hints",
    "gateway.delivery.mail.server",
    "gateway.delivery.mqtt",
    "gateway.delivery.mqtt_wire",
    "gateway.delivery.webhook",
    "gateway.delivery.postgresql",
    "gateway.delivery.files",
    "gateway.delivery.secrets",
    "gateway.delivery.server_name",
    "gateway.delivery.sparkplug.delivery",
    "gateway.ledger.troubles",
    "gateway.web.access",
    "gateway.web.interface.routes",
    "gateway.site_desk",
    "gateway.site_alarms",
    "gateway.errors",
    "gateway.deliveries",
)
"""Who says what people read in answers to acts, in marks and troubles."""
IN_PIECES = Path(__file__).with_name("sentences_in_pieces.txt")
"""Their f-strings that are no phrase of the catalogue: pieces of sentences that are, keys and names of tasks, queries,
and what stays in English (`DEVELOPERS.md`)."""
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
    return {_bare(each.text) for each in constants(ROOT, "gateway")}


def _german() -> dict[str, str]:
    """Those of the reasons; and those of answers and of what goes wrong, which come when they are asked for."""
    told: dict[str, str] = {}
    for name in ("sentences", "answers", "troubles"):
        part = json.loads((WEB / "page" / "languages" / f"{name}_de.json").read_text("utf-8"))
        assert not told.keys() & part.keys()
        told |= part
    return told


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
    """Of one that is put together of several texts each word is at least one that the gateway says."""
    german = _german()
    made = {outline(each.text) for each in formatted(ROOT, "gateway")}
    others = [phrase for phrase in set(german) - _phrases() if outline(phrase) not in made]
    words = set().union(*(words_of(each.text) for each in (*formatted(ROOT, "gateway"), *constants(ROOT, "gateway"))))
    assert sorted(phrase for phrase in others if words_of(phrase) - words and phrase not in OF_LIBRARIES) == []
    apart = [
        phrase for phrase, said in german.items() if sorted(_HOLES.findall(phrase)) != sorted(_HOLES.findall(said))
    ]
    assert apart == []
    # What the trade calls it is the same: "GSV {amount}".
    same = [phrase for phrase, said in german.items() if said == phrase and re.search("[a-z]", _HOLES.sub("", phrase))]
    assert same == []
    assert [phrase for phrase, said in german.items() if not said.strip()] == []


def _reasons() -> set[str]:
    """Every phrase of a reason that has words of its own."""
    found = {each.text for each in phrases_with_values(ROOT, "gateway") if not each.module.startswith(TYPED)}
    found |= {each.text for each in phrases_in(ROOT, "gateway") if not each.module.startswith(TYPED)}
    return {_bare(text) for text in found if re.search("[a-z]", _HOLES.sub("", _bare(text)))}


def test_every_reason_is_in_german() -> None:
    assert sorted(_reasons() - set(_german()) - QUOTES_KEYS) == []


def test_what_is_said_in_answers_and_failures_is_in_german_or_named() -> None:
    """Each f-string of those who answer people, and of those who say why something failed."""
    known = {outline(phrase) for phrase in _german()}
    said = {outline(each.text) for each in formatted(ROOT, *SPOKEN) if " " in each.text and words_of(each.text)}
    assert {each.replace("\n", " ") for each in said - known} == set(IN_PIECES.read_text("utf-8").splitlines())


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


_RECOGNISE = """
const [phrases, sentences] = arguments;
const { change } = await import("/page/code/taste.js");
const { recognised } = await import("/page/code/recognised.js");
const { speak, phraseFor } = await import("/page/code/words.js");
change({ language: "de" });
await speak("de");
const until = Date.now() + 10_000;
const { recognised: found } = await import("/page/code/recognised.js");
const isKnown = (phrase) => phraseFor(phrase) !== undefined;
const isHere = () => !found("it is no phrase") && isKnown("begin another") && isKnown("wrong check sum");
while (!isHere() && Date.now() < until) await new Promise((go) => setTimeout(go, 20));
return sentences.map((each, at) => phraseFor(each) !== undefined ? phrases[at] : (recognised(each)?.phrase ?? ""));
"""


def test_a_sentence_is_recognised_by_its_own_phrase(modules: Page) -> None:
    """None is taken for another one that is less, or more: filled with values, each phrase is found by itself."""
    phrases = [phrase for phrase in _german() if _HOLES.search(phrase) and _has_edges(phrase)]
    sentences = [_filled(phrase) for phrase in phrases]
    found: list[str] = modules.promise(_RECOGNISE, phrases, sentences)
    taken = {phrase: other for phrase, other in zip(phrases, found, strict=True) if outline(phrase) != outline(other)}
    assert "\n".join(f"{phrase} | {other}" for phrase, other in taken.items()) == ""


_SAMPLES = Path(__file__).with_name("said_samples.txt")
"""What people were told while the tests of acts, accounts, lines and destinations ran, each kind once: written down by
`tests/support/said_recorder.py`."""
_TOLD_WHOLE = """
const [sentences] = arguments;
const { change } = await import("/page/code/taste.js");
const { told, isOwn } = await import("/page/code/sentences.js");
const { speak, phraseFor } = await import("/page/code/words.js");
change({ language: "de", numbers: "de", units: "metric" });
await speak("de");
const until = Date.now() + 10_000;
const { recognised: found } = await import("/page/code/recognised.js");
const isKnown = (phrase) => phraseFor(phrase) !== undefined;
const isHere = () => !found("it is no phrase") && isKnown("wrong check sum") && isOwn("ticket 1: there is no ticket 7");
while (!isHere() && Date.now() < until) await new Promise((go) => setTimeout(go, 20));
return sentences.map((each) => [isOwn(each), told(each)]);
"""


def test_what_was_said_is_wholly_told_in_german_with_all_its_numbers(modules: Page) -> None:
    samples = _SAMPLES.read_text("utf-8").splitlines()
    assert len(samples) > 300
    told: list[tuple[bool, str]] = modules.promise(_TOLD_WHOLE, samples)
    assert "\n".join(said for said, (own, _) in zip(samples, told, strict=True) if not own) == ""
    # No number is lost, and none comes in. Times are told by another clock, and spans in other units.
    lost = [
        (said, other)
        for said, (_, other) in zip(samples, told, strict=True)
        if not re.search(r"UTC|\d (?:min|h|d|s)\b|write|give|as 2026", said) and _digits(said) != _digits(other)
    ]
    assert "\n".join(f"{said} | {other}" for said, other in lost) == ""


def _digits(text: str) -> list[str]:
    return sorted(re.findall(r"\d+", re.sub(r"(?<=\d)[.,](?=\d)|\bm3", "", text)))


def _has_edges(phrase: str) -> bool:
    """What stands between its values tells them apart; one without is told by whoever knows its values."""
    return "}{" not in phrase and len(re.findall("[a-z]", _HOLES.sub("", phrase), re.IGNORECASE)) >= 3


def _filled(phrase: str) -> str:
    numbers = iter(range(7, 100))
    forms = {"much": "{}.5 m3", "moment": "2026-03-{:02} 12:00 UTC"}
    return _HOLES.sub(lambda hole: forms.get(hole[1], "{}").format(next(numbers)), phrase)
