"""Each reason that the sheets of whole sites give has a unit behind every number, whatever happens to their tanks."""

import re
from pathlib import Path

from tests.site_fuzz.through_gateway import load, sheets_of
from tests.site_fuzz.world.draw_site import draw_site
from tests.support.units_in_messages import UNIT, bare_in_text

_SITES, _SHEETS = range(1_000_000, 1_000_030), 6
_WHOLE = re.compile(r"(?<![\w.:/+-])\d[\d,]*(?![\w.:,-])")
_CLAUSE = re.compile(r"\(?(?:API|ISO|IEC|OIML|GPA|ASTM) .*$")
_COUNTS = re.compile(r" rounds|%")


def _reasons(folder: Path) -> set[str]:
    told: set[str] = set()
    for seed in _SITES:
        site = draw_site(seed, _SHEETS)
        place = folder / str(seed)
        place.mkdir()
        setups = load(site, place)
        for seen in site.tanks:
            for sheet in sheets_of(setups[seen.tank.tag], seen):
                told.update(reason.text for figure in sheet.figures for reason in figure.reasons)
                told.update(element.reason.text for element in sheet.elements if element.reason is not None)
    return told


def test_every_number_of_every_reason_has_its_unit(tmp_path: Path) -> None:
    told = _reasons(tmp_path)
    assert len(told) > 300, "too few reasons came up to say anything"
    bare = {text: bare_in_text(text) for text in told}
    assert {text: numbers for text, numbers in bare.items() if numbers} == {}
    for text in told:
        words = _CLAUSE.sub("", text)
        for whole in _WHOLE.finditer(words):
            behind = words[whole.end() :]
            assert re.match(rf" ?{UNIT}", behind) or _COUNTS.match(behind), f"{whole[0]} in {text!r}"
