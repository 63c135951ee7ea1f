"""What the page makes of a sentence means the same: whatever the values, its numbers read back are the same quantities,
and it is the same whether the page was told what the sentence is made of or finds it by its phrase.
"""

import json
import random
import re
from collections.abc import Iterator, Mapping
from fractions import Fraction
from string import Formatter
from typing import Any

import pytest

from gateway.payload.told import sentence_documents
from gateway.reasons import ReasonValue
from gateway.records import ReasonCode, because
from gateway.units.quantity import Dimension, dimensions_of, si_conversion
from tests.page.reading import Page
from tests.page.site_process import ROOT
from tests.page.static_server import WEB
from tests.support.phrases import phrases_in
from tests.support.spoken import phrases_with_values

_HOLES = re.compile(r"\{(\w+)\}")
_IN_UNIT = re.compile(r"(apart |bare )?(\S+) (\S+)")
_EACH = 3
"""So many times each phrase is filled anew."""
_SPOKEN = """
const [sentences, units, language] = arguments;
const { change } = await import("/page/code/taste.js");
const { learn } = await import("/page/code/known_sentences.js");
const { told } = await import("/page/code/sentences.js");
const { speak, phraseFor } = await import("/page/code/words.js");
const { recognised } = await import("/page/code/recognised.js");
change({ units, language, numbers: language });
await speak(language);
const until = Date.now() + 10_000;
const first = ["there is no level", "wrong check sum", "begin another"];
const isHere = () => !recognised("it is no phrase") && first.every(phraseFor);
while (!isHere() && Date.now() < until) await new Promise((go) => setTimeout(go, 20));
told("it is no phrase");
await new Promise((go) => setTimeout(go, 200));
"""
"""All phrases are there, and so is what finds sentences by them."""
_BOTH_WAYS = (
    _SPOKEN
    + """
const found = sentences.map(({ text }) => told(text));
learn("test", sentences);
return sentences.map(({ text }, at) => [told(text), found[at]]);
"""
)
_ALONE = f"{_SPOKEN} return sentences.map(told);"


def _filled(phrase: str, dice: random.Random) -> dict[str, Any] | None:
    """As the gateway tells it, with values that are as exact as they stand there; None where it is no phrase."""
    try:
        forms = [(name, form or "") for _, name, form, _ in Formatter().parse(phrase) if name is not None]
    except ValueError:
        return None
    if not forms or not all(name.isidentifier() for name, _ in forms):
        return None
    values: dict[str, ReasonValue] = {name: _value(name, form, dice) for name, form in forms}
    try:
        (document,) = sentence_documents([because(ReasonCode.STALE, phrase, **values)])
    except (ValueError, TypeError):
        return None
    return document


def _value(name: str, form: str, dice: random.Random) -> ReasonValue:
    in_unit = _IN_UNIT.fullmatch(form)
    if in_unit:
        how, unit, number = in_unit.groups()
        known = dimensions_of(unit)
        dimension = Dimension.TEMPERATURE_DIFFERENCE if how == "apart " else known[0]
        factor, offset = si_conversion(unit, dimension)
        drawn = dice.choice([dice.uniform(-60.0, 400.0), dice.uniform(0.0, 9999.0), dice.uniform(-2.0, 2.0)])
        return float(format(drawn, number).replace(",", "")) * factor + offset
    if form == "utc":
        return 1_699_999_980.0 + 60.0 * dice.randrange(10_000_000)
    if form == "duration":
        return dice.choice([float(dice.randrange(120)), 60.0 * dice.randrange(2, 120), 360.0 * dice.randrange(20, 900)])
    if form == "behind":
        return "degC"
    if form.endswith("d"):
        return dice.randrange(2, 90)
    if form:
        return float(dice.randrange(2, 90))
    if name in ("count", "number", "revision", "code", "of"):
        return str(dice.randrange(2, 90))
    return f"Q{dice.randrange(1000)}x"


def _documents(seed: int) -> list[dict[str, Any]]:
    dice = random.Random(seed)
    texts = {each.text for each in phrases_with_values(ROOT, "gateway")} | {e.text for e in phrases_in(ROOT, "gateway")}
    german = _german()
    made = [_filled(text, dice) for text in sorted(texts) for _ in range(_EACH)]
    return [each for each in made if each is not None and each["phrase"] in german]


def _german() -> dict[str, str]:
    told: dict[str, str] = {}
    for name in ("sentences", "answers", "troubles"):
        told |= json.loads((WEB / "page" / "languages" / f"{name}_de.json").read_text("utf-8"))
    return told


_FT, _LB = Fraction("0.3048"), Fraction("0.45359237")
_PSI = _LB * Fraction("9.80665") / (_FT / 12) ** 2
_BBL = Fraction("0.158987294928")
_GAL = Fraction("0.00454609")
_LONG_TON = 2240 * _LB
_SIZES: Mapping[str, tuple[Fraction, str]] = {
    "m": (Fraction(1), "m"),
    "mm": (Fraction(1, 1000), "m"),
    "cm": (Fraction(1, 100), "m"),
    "in": (_FT / 12, "m"),
    "m³": (Fraction(1), "m3"),
    "bbl": (_BBL, "m3"),
    "imp gal": (_GAL, "m3"),
    "m³/h": (Fraction(1, 3600), "m3/s"),
    "bbl/h": (_BBL / 3600, "m3/s"),
    "imp gal/h": (_GAL / 3600, "m3/s"),
    "kg/m³": (Fraction(1), "kg/m3"),
    "lb/ft³": (_LB / _FT**3, "kg/m3"),
    "kg": (Fraction(1), "kg"),
    "t": (Fraction(1000), "kg"),
    "long tons": (_LONG_TON, "kg"),
    "Pa": (Fraction(1), "Pa"),
    "kPa": (Fraction(1000), "Pa"),
    "psi": (_PSI, "Pa"),
    "%": (Fraction(1, 100), "1"),
}


def _read_back(text: str, unit: str, *, comma: bool) -> tuple[float, float]:
    """In SI, and by how much the last digit that stands there may be off."""
    feet = re.fullmatch(r"([+-]?)(\d+)' (\d+)(?: (\d+)/(\d+))?\"", text)
    if feet:
        assert unit == "m", text
        way, whole, inches, part, of = feet.groups()
        size = int(whole) * _FT + (int(inches) + Fraction(int(part or 0), int(of or 1))) * _FT / 12
        return float(-size if way == "-" else size), float(_FT / 12 / 32)
    number, _, sign = text.partition(" ")
    plain = number.replace(".", "").replace(",", ".") if comma else number.replace(",", "")
    value, places = Fraction(plain), len(plain.partition(".")[2])
    step = Fraction(1, 10**places)
    if sign in ("°C", "°F"):
        assert unit in ("degC", "K"), text
        size = Fraction(5, 9) if sign == "°F" else Fraction(1)
        zero = 32 if sign == "°F" and unit == "degC" else 0
        return float((value - zero) * size), float(step * size)
    size, of_unit = _SIZES[sign]
    assert of_unit == unit, (text, unit)
    return float(value * size), float(step * size)


def _wrong(document: dict[str, Any], phrase: str, told: str, *, comma: bool) -> Iterator[str]:
    names = _HOLES.findall(phrase)
    pieces = [re.escape(each) for each in _HOLES.split(phrase)[::2]]
    values = document["values"]
    holes = [
        r"([+-]?[\d.,]+ (?:imp gal(?:/h)?|long tons|\S+?)|[+-]?\d+' [\d/ ]+\")"
        if _is_quantity(values[name])
        else "(.+?)"
        for name in names
    ]
    pattern = "".join(piece + hole for piece, hole in zip(pieces, [*holes, ""], strict=True))
    match = re.fullmatch(pattern, told)
    if match is None:
        yield f"{document['text']} | {told}"
        return
    for name, text in zip(names, match.groups(), strict=True):
        value = values[name]
        if not _is_quantity(value):
            continue
        back, step = _read_back(text, value["unit"], comma=comma)
        if abs(back - value["value"]) > step + 1e-9 * abs(value["value"]):
            yield f"{document['text']} | {told}: {name} {text}"


def _is_quantity(value: Any) -> bool:
    return isinstance(value, dict) and "unit" in value and value["text"].split()[-1] in _TOLD


_TOLD = {"m", "mm", "cm", "degC", "m3", "m3/h", "kg/m3", "kg", "t", "Pa", "kPa", "%"}
"""Others stand as they are in all units."""


@pytest.mark.outside(
    "NIST Special Publication 811, appendix B: foot, inch, barrel, gallon, pound, ton, psi, degree Fahrenheit"
)
@pytest.mark.parametrize(("units", "language"), [("us", "en"), ("imperial", "en"), ("us", "de"), ("metric", "de")])
def test_numbers_read_back_are_the_same_quantities(modules: Page, units: str, language: str) -> None:
    documents = _documents(17)
    assert len({each["phrase"] for each in documents}) > 200
    german = _german()
    told: list[tuple[str, str]] = modules.promise(_BOTH_WAYS, documents, units, language)
    wrong: list[str] = []
    apart: list[str] = []
    for document, (known, found) in zip(documents, told, strict=True):
        phrase = german[document["phrase"]] if language == "de" else document["phrase"]
        if "}{" not in phrase:
            wrong += _wrong(document, phrase, known, comma=language == "de")
        # By its phrase alone it says the same, or stands as it came.
        if found not in (known, document["text"]):
            apart.append(f"{document['text']} | {known} | {found}")
    assert "\n".join(wrong) == ""
    assert "\n".join(apart) == ""


def test_how_far_temperatures_are_apart_is_told_so_by_the_phrase_alone(modules: Page) -> None:
    """5 K are 9 °F, and not 41: apart by 12.5 degC are 22.5 °F, 3 degC are 5.4 °F; 20 degC are 68 °F."""
    said = [
        "elements used differ by 12.5 degC, more than 3 degC",
        "TT.1 at 20.0 degC is over 5 degC from its neighbours",
        "temperatures by hand differ by 5.0 degC: layers, or one is mistyped",
        "temperature changed from 20.0 degC by 5.0 degC within 30 s, faster than 3 degC a minute",
    ]
    assert modules.promise(_ALONE, said, "us", "en") == [
        "elements used differ by 22.5 °F, more than 5.4 °F",
        "TT.1 at 68.0 °F is over 9.0 °F from its neighbours",
        "temperatures by hand differ by 9.0 °F: layers, or one is mistyped",
        "temperature changed from 68.0 °F by 9.0 °F within 30 s, faster than 5.4 °F a minute",
    ]


def test_what_somebody_typed_stays_as_it_was_typed(modules: Page) -> None:
    """In quotation marks, and given as a reason: neither its numbers nor its words are told anew."""
    reason = because(ReasonCode.SHELVED, "until {until:utc}: {typed}", until=1.7e9, typed="no level; 20 degC")
    (document,) = sentence_documents([reason])
    learned = f"{_SPOKEN} learn('t', [sentences[0]]); return sentences.map((each) => told(each.text ?? each));"
    told = modules.promise(learned, [document, "'12 mm' has no unit; a length is wanted, for example 5 m"], "us", "de")
    assert told[0].endswith(": no level; 20 degC")
    assert told[1].startswith("„12 mm“ hat keine Einheit")
    named, by_root = modules.promise(
        _ALONE,
        [
            "ship is in neither opening nor closing: what was moved through it is in the difference",
            "request: 1 was asked for by anna@page, and after that root at the terminal invited bob on 2026-11-28; "
            "a third person approves it",
        ],
        "us",
        "de",
    )
    assert named.startswith("ship steht weder im Anfangs- noch im Endbestand")
    assert "und danach hat root am Terminal bob eingeladen (2026-11-28); eine dritte Person" in by_root
    act = "const { toldBefore } = await import('/page/code/sentences.js'); return toldBefore('paused: 12 mm; 20 degC')"
    assert modules.promise(act).endswith(": 12 mm; 20 degC")


def test_a_mark_of_decimals_is_the_readers_also_where_the_unit_stays(modules: Page) -> None:
    """21.305 mA would be twenty-one thousand to whoever reads German, and 65,536 bytes 65 and a half."""
    said = [
        "S-1: 21.305 mA is a failed current loop (NAMUR NE 43: 3.6 mA and less, 21 mA and more)",
        "65,536 bytes, and the server takes 1,024 at most",
        "server is of version 9.6; 12 or later is needed",
        "the clock was set by 4.6 h",
        "the clock was set by -4.6 h",
    ]
    current, size, version, ahead, back = modules.promise(_ALONE, said, "metric", "de")
    assert "21,305 mA" in current
    assert "65.536 Bytes" in size
    assert "1.024" in size
    assert "9.6" in version
    # 4.6 h are 4 h and 36 min.
    assert "um 4 Std. 36 Min." in ahead
    assert "-4 Std. 36 Min." in back


_GERMAN = """
const { change } = await import("/page/code/taste.js");
const { told } = await import("/page/code/sentences.js");
const { speak } = await import("/page/code/words.js");
change({ units: "metric", language: "de", numbers: "de" });
await speak("de");
await new Promise((go) => setTimeout(go, 1000));
told("begin another");
return told("ticket 7 was taken back");
"""
_AGAIN = """
const { told } = await import("/page/code/sentences.js");
const until = Date.now() + 18_000;
while (told("ticket 7 was taken back") === "ticket 7 was taken back" && Date.now() < until)
  await new Promise((go) => setTimeout(go, 200));
return told("ticket 7 was taken back");
"""


@pytest.mark.parametrize("lost", ["*recognised.js", "*sentences_de.json", "*answers_de.json"])
def test_what_could_not_be_loaded_comes_when_the_link_does(modules: Page, lost: str) -> None:
    modules.expecting(r"recognised\.js|_de\.json")
    modules.cdp("Network.enable")
    modules.cdp("Network.setBlockedURLs", urls=[lost])
    assert modules.promise(_GERMAN) == "ticket 7 was taken back"
    modules.cdp("Network.setBlockedURLs", urls=[])
    assert modules.promise(_AGAIN) == "Schein 7 wurde zurückgenommen"


_SAID = re.compile(r"(?<![\w.,])([+-]?\d[\d,]*(?:\.\d+)?) (m3/h|m3|mm|cm|m|degC|kg/m3|kg|t|kPa|Pa)(?![\w/])")
_SHOWN = re.compile(
    r"[+-]?\d+' \d+(?: \d+/\d+)?\"|[+-]?\d[\d,]*(?:\.\d+)? (?:long tons|lb/ft³|bbl/h|bbl|in|°F|psi)(?![\w/])"
)
_LEFT = re.compile(r"write|for example|UTC to \d|at most once|feet")
"""Examples to be typed stand as they are."""


def _said_quantities(text: str) -> list[tuple[str, float]]:
    found = []
    # "700 to 760 kg/m3": the unit stands once, and is of both.
    for number, unit in _SAID.findall(re.sub(r"(\d[\d.]*) to (\d[\d.]*) (\S*\w)", r"\1 \3 to \2 \3", text)):
        dimension = dimensions_of(unit)[0]
        factor, offset = si_conversion(unit, dimension)
        found.append((dimension.name, float(number.replace(",", "")) * factor + offset))
    return sorted(found)


def test_amounts_of_answers_read_back_are_the_same(modules: Page) -> None:
    """What people were told by acts, accounts and lines, in US units: no amount is another, and none is lost."""
    samples = (ROOT / "tests" / "page" / "said_samples.txt").read_text("utf-8").splitlines()
    samples = [each for each in samples if _said_quantities(each) and not _LEFT.search(each)]
    assert len(samples) > 30
    names = {
        "m": "LENGTH",
        "m3": "VOLUME",
        "m3/s": "VOLUME_FLOW",
        "kg/m3": "DENSITY",
        "kg": "MASS",
        "degC": "TEMPERATURE",
    }
    wrong = []
    for said, told in zip(samples, modules.promise(_ALONE, samples, "us", "en"), strict=True):
        found = []
        for text in _SHOWN.findall(told):
            sign = text.partition(" ")[2]
            unit = "m" if "'" in text else "degC" if sign == "°F" else _SIZES[sign][1]
            value, step = _read_back(text, unit, comma=False)
            found.append((names[unit], value, step))
        expected = _said_quantities(said)
        same = len(found) == len(expected) and all(
            name == other and abs(value - back) <= step
            for (name, value), (other, back, step) in zip(expected, sorted(found), strict=True)
        )
        if not same:
            wrong.append(f"{said} | {told}")
    assert "\n".join(wrong) == ""
