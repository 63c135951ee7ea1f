"""What tells of liquid flowing, from the site file to the sheet."""

from pathlib import Path

import pytest

from gateway.binding import bind
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.calculation.plan import FlowPlan
from gateway.records import Quality, Reading, Reason, ReasonCode
from tests.settings.yard import PARTS, load, tank

FLOWS = """
instruments:
  F-1:
    line: north
    unit: 3
    period: 25 s
    signals:
      flow: {table: holding_registers, address: 0, type: float32, unit: L/min}
      runs: {table: discrete_inputs, address: 0, type: bool}
"""
METER = "{instrument: F-1, signal: flow, direction: in}"
PUMP = "{instrument: F-1, signal: runs, direction: out, rate: 60 m3/h}"
S = 1_000_000_000
NOON_NS = 1_795_608_000 * S


def test_a_meter_and_a_contact_become_plan_and_binding(tmp_path: Path) -> None:
    setup, warnings = tank(tmp_path, FLOWS, flows=f"[{METER}, {PUMP}]")
    meter, pump = setup.plan.flows
    assert meter == FlowPlan("F-1.flow", into=True)
    assert (pump.name, pump.into, pump.flowing_when) == ("F-1.runs", False, True)
    assert pump.rate_m3_s == pytest.approx(60.0 / 3600.0)
    assert [(source.name, source.stale_after_s) for source in setup.binding.flows] == [
        ("F-1.flow", 75.0),
        ("F-1.runs", 75.0),
    ]
    assert set(setup.binding.flows) <= set(setup.binding.sources), "so that the first sheet waits for them"
    assert setup.plan.age_difference_limit_s == 60.0, "they are not used together with level and temperature"
    assert not [each for each in warnings if "flow" in each]


def test_a_contact_may_be_closed_at_rest(tmp_path: Path) -> None:
    setup, _ = tank(tmp_path, FLOWS, flows=f"[{PUMP[:-1]}, flowing_when: 0}}]")
    assert [flow.flowing_when for flow in setup.plan.flows] == [False]


def test_what_leaves_one_tank_may_fill_another(tmp_path: Path) -> None:
    tanks = "".join(
        f"""
  {tag}:
    product: diesel
    shape: {{kind: upright_cylinder, diameter: 8 m, height: 8 m}}
    reference_height: 9 m
    level: {{instrument: {gauge}, signal: innage, measures: innage}}
    free_water: none
    flows: [{{instrument: F-1, signal: flow, direction: {direction}}}]"""
        for tag, gauge, direction in (("TK-1", "G-1", "out"), ("TK-2", "G-2", "in"))
    )
    head = f"include_from: {PARTS}\ninclude: [{PARTS}/site.yaml, {PARTS}/instruments.yaml, {PARTS}/products.yaml]\n"
    text = f"{head}{FLOWS}\ntanks:{tanks}\n"
    settings = load(tmp_path, text)
    assert [[flow.into for flow in setup.plan.flows] for setup in settings.tanks] == [[False], [True]]


@pytest.mark.parametrize(("entry", "signal", "flowing"), [(METER, "flow", 1000.0 / 60_000.0), (PUMP, "runs", 1.0)])
def test_a_level_read_every_2_s_that_stands_still_meanwhile_is_doubted(
    tmp_path: Path, entry: str, signal: str, flowing: float
) -> None:
    setup, _ = tank(tmp_path, FLOWS, flows=f"[{entry}]")
    memory, doubted_at = EMPTY_MEMORY, None
    for second in range(0, 400, 2):
        now_ns = second * S
        latest = {
            ("G-1", "innage"): Reading("G-1", "innage", 6.0, Quality.GOOD, None, now_ns, now_ns, (1, 2)),
            # Read every 25 s: the last one stands meanwhile.
            ("F-1", signal): Reading("F-1", signal, flowing, Quality.GOOD, None, 0, second // 25 * 25 * S, (1,)),
        }
        inventory, memory = calculate(setup.plan, bind(setup.binding, latest, NOON_NS + now_ns, now_ns), memory)
        if doubted_at is None and inventory.figures.level.quality is Quality.UNCERTAIN:
            doubted_at = second
            assert inventory.figures.level.reasons[0].code == ReasonCode.LEVEL_FROZEN
    assert doubted_at == 300


def test_a_lost_flow_meter_makes_no_figure_worse(tmp_path: Path) -> None:
    setup, _ = tank(tmp_path, FLOWS, flows=f"[{METER}]")
    lost = Reason(ReasonCode.NO_ANSWER, "F-1 does not answer")
    latest = {
        ("G-1", "innage"): Reading("G-1", "innage", 6.0, Quality.GOOD, None, 0, 0, (1, 2)),
        ("F-1", "flow"): Reading("F-1", "flow", None, Quality.BAD, lost, 0, 0, ()),
    }
    inventory, _ = calculate(setup.plan, bind(setup.binding, latest, NOON_NS, 0), EMPTY_MEMORY)
    assert inventory.figures.tov.quality is Quality.GOOD
