"""Whatever the models of the gateway refuse stands beside the field that it is about, with the sentence as it is."""

from collections.abc import Iterator

import pytest

from tests.actions.desk import Desk, site_text
from tests.page.reading import Page
from tests.page_answers.gate import PRODUCTS

# How the page makes the dialog of each act, for the tank and the instrument of the desk.
_DIALOGS = {
    "dip": "dip('TK-1')",
    "temperature": "temperature('TK-1')",
    "density": "density('TK-1')",
    "sediment-water": "sedimentWater('TK-1')",
    "product-change": "productChange('TK-2')",
    "maintenance": "maintenance(['G-1'], 'TK-1')",
    "shelve": "alarmAct('shelve', { tank: 'TK-1', alarm: { name: 'high_high', kind: 'high_high', active: true } })",
    "out-of-service": "alarmAct('out-of-service', { tank: null, alarm: { name: 'x', kind: 'x', active: true } })",
}
_SPECS = ", ".join(f"{action!r}: {made}" for action, made in _DIALOGS.items())
_PLACED = f"""
const acts = await import("/page/code/parts/entry_acts.js");
const {{ alarmAct }} = await import("/page/code/parts/alarm_acts.js");
const {{ placed }} = await import("/page/code/parts/act_course.js");
const {{ dip, temperature, density, sedimentWater, productChange, maintenance }} = acts;
const specs = {{ {_SPECS} }};
return arguments[0].map(([action, line]) => placed(specs[action], line));
"""

_PAST = {"entered": "2026-11-28T05:00Z", "expires": "2026-11-28T04:00Z"}
_ALARM = {"tank": "TK-1", "alarm": "high_high", "why": "known"}
REFUSED: list[tuple[dict[str, str], str]] = [
    ({"action": "dip", "tank": "TK-1", "level": "99 m"}, "level"),
    ({"action": "dip", "tank": "TK-1", "level": "9,412 m"}, "level"),
    ({"action": "dip", "tank": "TK-1", "level": "nine"}, "level"),
    ({"action": "dip", "tank": "TK-1", "level": "by tape: nine"}, "level"),
    ({"action": "dip", "tank": "TK-1", "water": "3 kg"}, "water"),
    ({"action": "dip", "tank": "TK-1", "level": "9 m", "expires": "8 d"}, "expires"),
    ({"action": "dip", "tank": "TK-1", "level": "9 m", "entered": "yesterday"}, "entered"),
    ({"action": "dip", "tank": "TK-1", "level": "9 m", **_PAST}, "expires"),
    ({"action": "temperature", "tank": "TK-1", "value": "14", "expires": "24 h"}, "value"),
    ({"action": "temperature", "tank": "TK-1", "value": "900 degC", "expires": "24 h"}, "value"),
    ({"action": "temperature", "tank": "TK-1", "value": "14 degC"}, "expires"),
    ({"action": "density", "tank": "TK-1", "value": "838", "expires": "9 d"}, "value"),
    ({"action": "density", "tank": "TK-1", "value": "3 kg/m3", "expires": "9 d"}, "value"),
    ({"action": "density", "tank": "TK-1", "value": "838 kg/m3", "expires": "40 d"}, "expires"),
    ({"action": "density", "tank": "TK-1", "value": "838 kg/m3", "at": "here", "expires": "9 d"}, "at"),
    ({"action": "density", "tank": "TK-1", "value": "838 kg/m3", "by": "eye", "expires": "9 d"}, "by"),
    (
        {
            "action": "density",
            "tank": "TK-1",
            "value": "838 kg/m3",
            "at": "20 degC",
            "by": "hydrometer",
            "made_for": "warm",
            "expires": "9 d",
        },
        "made_for",
    ),
    ({"action": "sediment-water", "tank": "TK-1", "value": "0.3", "expires": "9 d"}, "value"),
    ({"action": "sediment-water", "tank": "TK-1", "value": "300 %", "expires": "9 d"}, "value"),
    ({"action": "product-change", "tank": "TK-2", "product": "milk"}, "product"),
    ({"action": "product-change", "tank": "TK-2", "product": "gasoline", "effective": "soon"}, "effective"),
    ({"action": "product-change", "tank": "TK-2", "product": "gasoline", "density": "7", "expires": "9 d"}, "density"),
    (
        {
            "action": "product-change",
            "tank": "TK-2",
            "product": "gasoline",
            "density": "745 kg/m3",
            "density_at": "here",
            "expires": "9 d",
        },
        "density_at",
    ),
    ({"action": "product-change", "tank": "TK-2", "product": "gasoline", "density": "745 kg/m3"}, "expires"),
    ({"action": "maintenance", "instrument": "G-1", "duration": "40 d", "why": "antenna"}, "duration"),
    ({"action": "maintenance", "instrument": "G-1", "duration": "long", "why": "antenna"}, "duration"),
    ({"action": "maintenance", "instrument": "G-1", "duration": "4 h"}, "why"),
    ({"action": "shelve", **_ALARM, "duration": "a while"}, "duration"),
    ({"action": "shelve", "tank": "TK-1", "alarm": "high_high", "duration": "2 h"}, "why"),
    ({"action": "out-of-service", **_ALARM, "duration": "0 h"}, "duration"),
]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    opened = Desk(tmp_path_factory.mktemp("desk"), text=site_text() + PRODUCTS)
    yield opened
    opened.stop()


def test_each_refusal_stands_beside_the_field_that_it_is_about(modules: Page, desk: Desk) -> None:
    lines = []
    for request, field in REFUSED:
        answer = desk.act(**request)
        assert answer["code"] == 2, (request, answer)
        assert len(answer["lines"]) == 1, (request, answer)
        lines.append((request["action"], answer["lines"][0], field))
    told = modules.promise(_PLACED, [line[:2] for line in lines])
    for (action, line, field), found in zip(lines, told, strict=True):
        assert found["field"] == field, (action, line)
        # Nothing of the sentence is changed but the key, which the name of the field stands for.
        assert found["text"] == line.split(": ", 1)[1]
