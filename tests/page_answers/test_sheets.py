"""The calculation sheet over HTTP is that of the record, step by step, and the same as `dip` tells of it."""

from pathlib import Path

from gateway.figures import FIGURE_DEFINITIONS
from tests.page_answers.gate import gate


async def test_every_step_is_told_with_what_it_rests_on(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        yard.sheets(3.0, warmth_c=20.0)
        found = await yard.page("/api/1/tanks/TK-1/sheet")
        figures = yard.pipeline.records()[0].inventory.figures
    steps = {step["name"]: step for step in found["steps"]}
    assert list(steps) == [definition.name for definition in FIGURE_DEFINITIONS]
    for name, step in steps.items():
        figure = getattr(figures, name)
        assert (step["value"], step["quality"]) == (figure.value, figure.quality.word), name
        assert set(step["inputs"]) <= set(steps)
    assert steps["gsv"]["inputs"] == ["gov", "ctl", "cpl"]
    # GSV = GOV CTL CPL (API MPMS 12.1.1), by the digits that are told.
    assert steps["gsv"]["value"] == steps["gov"]["value"] * steps["ctl"]["value"] * steps["cpl"]["value"]
    assert "API MPMS 12.1.1" in steps["gsv"]["clause"]
    assert not steps["vapour_mass"]["applies"]
    inputs = {each["name"]: each for each in found["inputs"]}
    assert (inputs["level"]["value"], inputs["level"]["source"]) == (3.0, "G-1.innage")
    assert inputs["element_1"]["value"] == 20.0
    assert found["sources"]["level"] == "gauge"
    assert any("not certified by API/ISO" in each for each in found["cautions"])


async def test_before_the_first_sheet_there_is_none_and_it_is_said(tmp_path: Path) -> None:
    async with gate(tmp_path) as yard:
        answer = await yard.get("/api/1/tanks/TK-1/sheet")
    assert (answer.status_code, answer.json()["lines"]) == (404, ["TK-1 has no sheet yet"])
