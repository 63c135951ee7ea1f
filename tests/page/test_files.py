"""The page's files as they lie there: colours that can be told apart, words in each language, nothing foreign."""

import json
import re
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from gateway.records import Quality
from gateway.states import LimitState
from gateway.tank_state import AlarmPhase, Motion, Priority
from tests.page.picture import LARGEST_BYTES, PICTURE, WIDTH, size_of
from tests.page.static_server import WEB

PAGE = WEB / "page"
LANGUAGES = ("en", "de")
LINES = 250


def _code() -> dict[str, str]:
    return {str(path.relative_to(PAGE)): path.read_text("utf-8") for path in sorted((PAGE / "code").rglob("*.js"))}


def _words(language: str) -> dict[str, str]:
    text = (PAGE / "languages" / f"{language}.json").read_text("utf-8")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in pairs]
        assert sorted(set(keys)) == sorted(keys), f"{language}: {[key for key in keys if keys.count(key) > 1]} twice"
        return dict(pairs)

    found: dict[str, str] = json.loads(text, object_pairs_hook=once)
    return found


def _themes() -> dict[str, dict[str, str]]:
    """Colours of tokens.css by theme and name; the dark one has what it does not say from the light one."""
    text = (PAGE / "style" / "tokens.css").read_text("utf-8")
    blocks = re.findall(r"(:root[^{]*)\{([^}]*)\}", text)
    told = [dict(re.findall(r"--([\w-]+):\s*(#[0-9a-fA-F]{6})\b", body)) for _, body in blocks]
    assert len(told) == 2, "a light and a dark theme"
    return {"light": told[0], "dark": told[0] | told[1]}


def _luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    channels = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, contrast ratio: 1 to 21."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


@pytest.mark.outside("WCAG 2.2, definitions of contrast ratio and relative luminance")
def test_the_formula_gives_what_the_standard_says_of_the_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # common practice: the grey that just fails
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.outside("WCAG 2.2, success criteria 1.4.3 and 1.4.11")
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_and_marks_stand_out_from_what_they_stand_on(theme: str) -> None:
    colours = _themes()[theme]
    grounds = ("paper", "raised")
    text = ("ink", "quiet", "now", "soon", "look")
    marks = ("mark", "focus")
    weak = [
        (name, ground, round(contrast(colours[name], colours[ground]), 2))
        for (names, least) in ((text, 4.5), (marks, 3.0))
        for name, ground in product(names, grounds)
        if contrast(colours[name], colours[ground]) < least
    ]
    assert not weak
    # The strip turns over where it cannot be believed: paper on ink.
    assert contrast(colours["paper"], colours["ink"]) >= 4.5


def test_every_colour_of_the_page_is_a_token_that_was_judged() -> None:
    """A colour written elsewhere is in no theme and in no test."""
    judged = {"paper", "raised", "ink", "quiet", "now", "soon", "look", "mark", "focus"}
    # Not for reading: lines between rows, and the stretch ahead, whose meaning stands beside it in words.
    judged |= {"line", "lighter"}
    assert set(_themes()["light"]) == set(_themes()["dark"]) == judged
    foreign = {}
    for path in sorted((PAGE / "style").glob("*.css")):
        if path.name == "tokens.css":
            continue
        text = re.sub(r"/\*.*?\*/", "", path.read_text("utf-8"), flags=re.DOTALL)
        # Paper is white, and what lies behind a dialog is only dimmed.
        text = re.sub(r"@media print \{.*?\n\}|::backdrop \{[^}]*\}", "", text, flags=re.DOTALL)
        if found := re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[^{]*\})|\b(?:rgb|hsl|oklch|color-mix)a?\([^)]*\)", text):
            foreign[path.name] = found
    assert not foreign


def test_both_languages_say_the_same_things() -> None:
    english, german = _words("en"), _words("de")
    assert set(english) == set(german)
    holes = re.compile(r"\{\w+\}")
    apart = [key for key in english if set(holes.findall(english[key])) != set(holes.findall(german[key]))]
    assert not apart
    assert not [key for words in (english, german) for key, text in words.items() if not text.strip()]
    # What is the same in both is a name, a unit or a short word that both have.
    same = [key for key in english if english[key] == german[key] and len(english[key].split()) > 3]
    assert not same


def _plain_keys(code: str) -> set[str]:
    """Anything between quotes that has the form of a key."""
    return set(re.findall(r"[\"'`]([a-z][\w]*(?:\.[\w-]+)+)[\"'`]", code))


def _patterns(code: str) -> list[re.Pattern[str]]:
    """Keys that are put together: `limit.${name}`."""
    found = re.findall(r"`((?:[a-z][\w.]*)?\$\{[^`]*)`", code)
    made = []
    for text in found:
        parts = re.split(r"\$\{[^}]*\}", text)
        if (
            "." in text.replace("...", "")
            and re.fullmatch(r"[\w.]*", "".join(parts))
            and any("." in part for part in parts)
        ):
            made.append(re.compile(r"[\w.-]+".join(re.escape(part) for part in parts)))
    # Words for the gateway's own codes, where there is one.
    return made + [re.compile(rf"{prefix}\..+") for prefix in re.findall(r"\bcodeWord\(\"(\w+)\"", code)]


def _base(key: str) -> str:
    return re.sub(r"\.(one|other)$", "", key)


def test_every_word_is_used_and_every_word_used_is_there() -> None:
    code = "\n".join(_code().values())
    english = _words("en")
    plain, patterns = _plain_keys(code), _patterns(code)
    # `${prefix}.${name}` fits anything: it proves no use.
    patterns = [each for each in patterns if re.sub(r"\[\\w\.-\]\+|\\", "", each.pattern).strip(".")]
    asked = set(re.findall(r"\bword\(\s*[\"']([\w.]+)[\"']", code))
    missing = {key for key in asked if key not in english and f"{key}.other" not in english}
    assert not missing
    unused = {
        key
        for key in english
        if not {key, _base(key)} & plain
        and not any(each.fullmatch(name) for each in patterns for name in (key, _base(key)))
    }
    assert not unused


def test_every_state_that_the_gateway_knows_has_its_word() -> None:
    english = _words("en")
    needed = {f"quality.{each.word}" for each in Quality}
    needed |= {f"limit_state.{each.value}" for each in LimitState if each.value not in ("normal", "unknown")}
    needed |= {f"motion.{each.value}" for each in Motion if each.value in ("filling", "emptying")}
    needed |= {f"priority.{each.value}" for each in Priority}
    needed |= {f"phase.{each.value}" for each in AlarmPhase if each.value != "normal"}
    needed |= {f"limit.{each}" for each in ("minimum", "maximum_working", "high_high", "critical_high")}
    assert needed - set(english) == set()


def test_nothing_of_the_page_comes_from_elsewhere() -> None:
    elsewhere = {}
    for path in sorted(PAGE.rglob("*")):
        if not path.is_file() or path.suffix not in (".js", ".mjs", ".css", ".html", ".json", ".svg", ".webmanifest"):
            continue
        text = path.read_text("utf-8")
        found = [
            each for each in re.findall(r"(?:https?:)?//[\w.-]+\.\w+[^\s\"'`)]*", text) if "www.w3.org/" not in each
        ]
        if path.parent.name != "vendor" and found:
            elsewhere[path.name] = found
    assert not elsewhere
    assert not re.search(r"\bon\w+=|<style|style=|javascript:", (PAGE / "index.html").read_text("utf-8"))


def test_only_one_module_knows_the_library_and_none_is_long() -> None:
    code = _code()
    assert [name for name, text in code.items() if "vendor/htm-preact" in text] == ["code/html.js"]
    assert [name for name, text in code.items() if text.count("\n") > LINES] == []
    # Texts from outside are only ever text: nothing is made of markup that comes along.
    raw = re.compile(
        r"innerHTML|outerHTML|insertAdjacentHTML|dangerouslySetInnerHTML|document\.write|\beval\(|new Function"
    )
    assert [name for name, text in code.items() if raw.search(text)] == []


def test_every_style_is_linked_and_every_link_leads_somewhere() -> None:
    index = (PAGE / "index.html").read_text("utf-8")
    linked = set(re.findall(r"href=\"/page/style/([\w.-]+\.css)\"", index))
    assert linked == {path.name for path in (PAGE / "style").glob("*.css")}
    for path in re.findall(r"(?:href|src)=\"/page/([^\"]+)\"", index):
        assert Path(PAGE / path).is_file(), path


@pytest.mark.parametrize(("head", "rows"), [("| User | Question | Where | Test |", 40), ("| | Where | Test |", 12)])
def test_the_guide_names_tests_that_there_are(head: str, rows: int) -> None:
    """The tables of questions and of stories in DEVELOPERS.md: each file, and each test of it."""
    guide = (WEB.parents[1] / "DEVELOPERS.md").read_text("utf-8")
    table = guide.partition(head)[2].partition("\n\n")[0]
    lines = table.splitlines()[2:]
    assert len(lines) == rows
    for row in lines:
        file = ""
        named = re.findall(r"`(test_\w+(?:\.py)?)`", row)
        assert named, row
        for name in named:
            if name.endswith(".py"):
                file = (Path(__file__).parent / name).read_text("utf-8")
            else:
                assert f"def {name}(" in file, name


def test_the_readme_begins_with_one_picture_that_is_not_large() -> None:
    readme = (WEB.parents[1] / "README.md").read_text("utf-8")
    assert re.findall(r"!\[[^\]]+\]\(([^)]+)\)", readme) == ["deploy/overview.png"]
    assert readme.index("![") < readme.index("\n## ")
    png = PICTURE.read_bytes()
    assert len(png) <= LARGEST_BYTES
    assert size_of(png)[0] == WIDTH
    assert list((WEB.parents[1] / "deploy").rglob("*.png")) == [PICTURE]
