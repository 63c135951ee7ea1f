"""The word for the whole tank is that of its worst figure that counts: who looks at one word only must not be misled,
neither into trusting it nor into getting up for nothing."""

import pytest

from gateway.figures import BESIDE, tank_quality
from gateway.payload.writer import inventory_json
from gateway.records import Figure, Figures, Quality, Reason, ReasonCode
from tests.support.messages import valid_message
from tests.support.records import bad, record

DOUBT = (Reason(ReasonCode.STRATIFIED, "elements used differ"),)


@pytest.mark.parametrize(
    ("figure", "word"),
    [
        (Figure(20.0, Quality.GOOD, (), 1.0), "Good"),
        (Figure(20.0, Quality.UNCERTAIN, DOUBT, 1.0), "Uncertain"),
        (bad(), "Bad"),
    ],
)
def test_the_tank_is_as_its_worst_figure(figure: Figure, word: str) -> None:
    message = valid_message(inventory_json(record(liquid_temperature=figure)))
    assert message["quality"] == word
    assert message["figures"]["liquid_temperature"]["quality"] == word


def test_what_stands_beside_the_sheet_is_bad_at_its_own_figure_alone() -> None:
    one = record()
    figures = one.inventory.figures._replace(**{name: bad() for name in BESIDE})
    inventory = one.inventory._replace(figures=figures, quality=tank_quality(figures))
    message = valid_message(inventory_json(one._replace(inventory=inventory)))
    assert message["quality"] == "Good"
    assert {message["figures"][name]["quality"] for name in BESIDE} == {"Bad"}


@pytest.mark.parametrize("name", sorted(set(Figures._fields) - BESIDE))
def test_every_other_figure_counts(name: str) -> None:
    assert tank_quality(record().inventory.figures._replace(**{name: bad()})) is Quality.BAD
