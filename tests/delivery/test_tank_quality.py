"""The word for the whole tank is that of its worst figure: who looks at one word only must not be misled."""

import pytest

from gateway.delivery.payload import inventory_json
from gateway.records import Figure, Quality, Reason, ReasonCode
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
