"""Ten tanks through registers, wires, calculation and broker give the printed figures, digit for digit."""

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import httpx
from prometheus_client.parser import text_string_to_metric_families

from tests.end_to_end.site import printed_rows, running_site, used_elements
from tests.support.wire import WireRecorder

# Exact by definition: international foot, barrel of 42 US gallons of 231 cubic inches, long ton of 2240 pounds
# (NIST SP 811, Appendix B.8). Not taken from the gateway's own units.
FACTORS = {
    "m": 1.0,
    "mm": 1e3,
    "ft": 1 / 0.3048,
    "m3": 1.0,
    "bbl": 1 / (42 * 231 * 0.0254**3),
    "kg/m3": 1.0,
    "t": 1e-3,
    "long ton": 1 / (2240 * 0.45359237),
    "bar": 1e-5,
    "1": 1.0,
    "%": 100.0,
    "degC": 1.0,
}


def in_unit(value: float, unit: str) -> float:
    return value * 1.8 + 32.0 if unit == "degF" else value * FACTORS[unit]


def as_printed(value: float, printed: str) -> str:
    step = Decimal(1).scaleb(-len(printed.partition(".")[2]))
    # Nine further digits first: 14.7 degC is 14.699999999999999 in binary, and was printed from decimals.
    exact = Decimal(f"{value:.9f}")
    return str(exact.quantize(step, ROUND_HALF_UP))


async def test_each_tank_gives_its_printed_figures(
    tmp_path: Path, wire_recorder: Callable[[int], WireRecorder]
) -> None:
    async with running_site("printed_state", tmp_path, wire_recorder, patient=True) as site:
        settled = await site.all_inventories(
            lambda content: (
                all(element["value"] is not None for element in content["elements"])
                and content["figures"]["tov"]["value"] is not None
            )
        )
        wrong = []
        for row in printed_rows():
            figure = settled[row["tank"]]["figures"][row["figure"]]
            shown = (
                None if figure["value"] is None else as_printed(in_unit(figure["value"], row["unit"]), row["expected"])
            )
            if (shown, figure["quality"]) != (row["expected"], row["quality"]):
                wrong.append((row, figure))
        assert wrong == []
        used = {
            tank: "".join("U" if element["used"] else "-" for element in content["elements"])
            for tank, content in settled.items()
        }
        assert used == used_elements()
        assert all(content["simulated"] is True for content in settled.values())

        async with httpx.AsyncClient() as client:
            answer = await client.get(f"http://127.0.0.1:{site.gateway.http_port}/metrics")
        families = {family.name: family for family in text_string_to_metric_families(answer.text)}
        levels = {sample.labels["tank"]: sample for sample in families["tank_level_metres"].samples}
        assert round(levels["TK-101"].value, 3) == 9.412
        assert len(levels) == 10
        assert all(sample.labels["simulated"] == "true" for sample in levels.values())

    functions = {request.function for recorder in site.recorders.values() for request in recorder.requests}
    assert functions == {2, 3, 4}
