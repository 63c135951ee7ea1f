"""Small plans and inputs built by hand, for tests of the calculation that need no site file."""

from dataclasses import dataclass
from datetime import UTC, datetime

from gateway.calculation.contracts import Corrected
from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import (
    ElementPlan,
    GaugeKind,
    GaugePlan,
    LimitPlan,
    ProductPlan,
    TankPlan,
    TemperaturePlan,
)
from gateway.errors import LimitError
from gateway.records import Figure, Input, Inventory, Quality, Reason, ReasonCode, TankInput

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class StraightTank:
    """100 m3 per metre, from 0 to 10 m: volumes that can be checked in the head."""

    heel_m3: float = 0.0
    bottom_m: float = 0.0
    top_m: float = 10.0
    clause: str = "100 m3 per metre"

    def volume(self, level_m: float) -> float:
        if not self.bottom_m <= level_m <= self.top_m:
            raise LimitError("level", level_m, "m", "outside 0 to 10 m", self.clause)
        return 100.0 * level_m + self.heel_m3


@dataclass(frozen=True, slots=True)
class PreparedLine:
    reference_density: float | None

    def at(self, temperature_c: float, gauge_pressure_pa: float) -> Corrected:
        if temperature_c > 100.0:
            raise LimitError("temperature", temperature_c, "degC", "above 100 degC", "straight line")
        ctl = 1.0 - 0.001 * (temperature_c - 15.0)
        density = None if self.reference_density is None else self.reference_density * ctl
        return Corrected(ctl, 1.0, density)


@dataclass(frozen=True, slots=True)
class StraightLineMethod:
    """CTL = 1 - 0.001 (T - 15): a method whose every result can be checked in the head."""

    clause: str = "straight line"
    reference_temperature_c: float | None = 15.0
    needs_density: bool = True
    uses_density_for_ctl: bool = False

    def from_reference_density(self, density: float | None) -> PreparedLine:
        return PreparedLine(density)

    def from_observed_density(self, density: float, temperature_c: float, gauge_pressure_pa: float) -> PreparedLine:
        return PreparedLine(density / (1.0 - 0.001 * (temperature_c - 15.0)))


def good(value: float, age_s: float = 1.0, source: str = "X.s") -> Input:
    return Input(value, Quality.GOOD, None, age_s, source)


def bad(code: ReasonCode = ReasonCode.NO_ANSWER, text: str = "no answer") -> Input:
    return Input(None, Quality.BAD, Reason(code, text), 1.0, "X.s")


def uncertain(value: float, code: ReasonCode = ReasonCode.LOOP_OUTSIDE_SPAN, text: str = "off span") -> Input:
    return Input(value, Quality.UNCERTAIN, Reason(code, text), 1.0, "X.s")


def temperature_plan(*heights_m: float, margin_m: float = 0.3) -> TemperaturePlan:
    elements = tuple(ElementPlan(height, f"T{index}") for index, height in enumerate(heights_m, start=1))
    return TemperaturePlan(elements=elements, immersion_margin_m=margin_m)


def straight_plan(**changes: object) -> TankPlan:
    """An innage-gauged tank of `StraightTank` with elements at 1, 3, 5 and 7 m."""
    fields: dict[str, object] = {
        "tank": "TK-1",
        "product": ProductPlan("straight oil", StraightLineMethod()),
        "capacity": StraightTank(),
        "reference_height_m": 10.5,
        "gauge": GaugePlan(GaugeKind.INNAGE),
        "temperature": temperature_plan(1.0, 3.0, 5.0, 7.0),
        "limits": LimitPlan(1.0, 9.0, 9.3, 9.6),
    }
    return TankPlan(**(fields | changes))  # type: ignore[arg-type]


def straight_input(level_m: float = 6.0, **changes: object) -> TankInput:
    """All Good at 15 degC and 800 kg/m3."""
    fields: dict[str, object] = {
        "tank": "TK-1",
        "instant": NOON,
        "level": good(level_m),
        "elements": tuple(good(15.0) for _ in range(4)),
        "reference_density": good(800.0),
    }
    return TankInput(**(fields | changes))  # type: ignore[arg-type]


def sheet(plan: TankPlan | None = None, given: TankInput | None = None, memory: Memory = EMPTY_MEMORY) -> Inventory:
    """One sheet of a straight tank."""
    return calculate(plan or straight_plan(), given or straight_input(), memory)[0]


def value(figure: Figure) -> float:
    """The value of a figure that must have one."""
    assert figure.value is not None, figure
    return figure.value
