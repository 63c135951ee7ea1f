"""One tank watched sheet by sheet: what its instruments say goes through the real calculation into its course."""

import json
import random
from datetime import datetime, timedelta
from functools import cache
from typing import NamedTuple

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY, Memory
from gateway.calculation.plan import FreeWaterSource, GaugeKind, GaugePlan, TankPlan
from gateway.plain_form import PlainForm
from gateway.records import Input, Inventory, Quality, Reason, ReasonCode, TankInput
from gateway.resources import config_path
from gateway.settings import load_site
from gateway.tank_state import AlarmKind, Motion
from gateway.watch.course.course import Course
from gateway.watch.course.fold import next_course
from gateway.watch.course.memory import NO_COURSE, CourseMemory, after_pause
from gateway.watch.plan import CoursePlan
from tests.support.plans import NOON, good

__all__ = ["Life", "demo_tank", "seen"]

FORM = PlainForm(CourseMemory)


@cache
def demo_tanks() -> dict[str, TankPlan]:
    site = load_site(config_path("demo/site.yaml"), now=NOON)
    return {setup.plan.tank: setup.plan for setup in site.tanks}


def demo_tank(tag: str) -> TankPlan:
    """One of the ten of practice.md section 5, as the demo's site file has it."""
    return demo_tanks()[tag]


class Told(NamedTuple):
    """What one sheet told, and when."""

    second: float
    course: Course
    inventory: Inventory


class Life:
    """`level_m` is the true one; gauges show it with `noise_m` of white noise, in their own steps."""

    def __init__(
        self,
        tank: TankPlan,
        plan: CoursePlan | None = None,
        *,
        density: float = 838.0,
        noise_m: float = 0.0,
        period_s: float = 10.0,
        seed: int = 1,
    ) -> None:
        self.tank, self.plan = tank, plan or CoursePlan()
        self.density, self.noise_m, self.period_s = density, noise_m, period_s
        self.random = random.Random(seed)
        self.second = 0.0
        self.steady_off_s = 1000.0
        self.utc_off_s = 0.0
        self.memory: Memory = EMPTY_MEMORY
        self.course_memory: CourseMemory = NO_COURSE
        self.told: list[Told] = []

    def instant(self) -> datetime:
        return NOON + timedelta(seconds=self.second + self.utc_off_s)

    def reading(self, level_m: float) -> Input:
        """What the first gauge says of a level."""
        gauge = self.tank.gauge
        assert isinstance(gauge, GaugePlan)
        shown = level_m + self.random.gauss(0.0, self.noise_m) if self.noise_m else level_m
        if self.noise_m:
            shown = round(shown / gauge.resolution_m) * gauge.resolution_m
        return good(self.tank.reference_height_m - shown if gauge.kind is GaugeKind.ULLAGE else shown, age_s=0.0)

    def look(
        self,
        level: float | Input | None,
        temperature_c: float = 15.0,
        *,
        water_m: float | Input | None = 0.035,
        **more: object,
    ) -> Told:
        """One sheet."""
        given = TankInput(
            self.tank.tank,
            self.instant(),
            level=self.reading(level) if isinstance(level, float) else level,
            elements=tuple(good(temperature_c) for _ in self.tank.temperature.elements),
            reference_density=good(self.density),
            water=self._water(water_m),
            steady_s=self.steady_off_s + self.second,
        )._replace(**more)  # type: ignore[arg-type]
        return self.take(given)

    def _water(self, water_m: float | Input | None) -> Input | None:
        if self.tank.free_water is not FreeWaterSource.PROBE:
            return None
        return good(water_m) if isinstance(water_m, float) else water_m

    def take(self, given: TankInput) -> Told:
        inventory, self.memory = calculate(self.tank, given, self.memory)
        course, self.course_memory = next_course(self.plan, self.tank, given, inventory, self.course_memory)
        self.told.append(Told(self.second, course, inventory))
        return self.told[-1]

    def later(self, seconds: float | None = None) -> None:
        self.second += self.period_s if seconds is None else seconds

    def restart(self, pause_s: float, *, is_known: bool = True, steady_s: float = 5.0) -> None:
        """The process ends; another begins so much later, whose steady clock has nothing to do with this one's."""
        plain = json.loads(json.dumps(FORM.to_plain(self.course_memory)))
        kept = FORM.from_plain(plain)
        assert kept == self.course_memory
        was_s = self.steady_off_s + self.second
        self.second += pause_s
        self.steady_off_s = steady_s - self.second
        passed_s = pause_s if is_known else None
        self.course_memory = after_pause(FORM.moved(kept, steady_s - was_s - (passed_s or 0.0)), passed_s)
        self.memory = EMPTY_MEMORY

    def rest(self, seconds: float, level_m: float, temperature_c: float = 15.0, **more: object) -> list[Told]:
        """Stands at a level for so long."""
        before = len(self.told)
        for _ in range(round(seconds / self.period_s)):
            self.later()
            self.look(level_m, temperature_c, **more)  # type: ignore[arg-type]
        return self.told[before:]

    def flow(
        self, seconds: float, level_m: float, flow_m3_h: float, temperature_c: float = 15.0, **more: object
    ) -> float:
        """Flows in at a steady rate for so long, from a level on; the level that it ends at. Of an upright tank."""
        area_m2 = self.tank.capacity.volume(level_m + 0.5) - self.tank.capacity.volume(level_m - 0.5)
        begun_s = self.second
        for _ in range(round(seconds / self.period_s)):
            self.later()
            self.look(level_m + flow_m3_h / 3600.0 * (self.second - begun_s) / area_m2, temperature_c, **more)  # type: ignore[arg-type]
        return level_m + flow_m3_h / 3600.0 * (self.second - begun_s) / area_m2

    def finding(self, kind: AlarmKind = AlarmKind.UNSCHEDULED_MOVEMENT) -> list[tuple[float, bool]]:
        """When a finding came and went: (second, whether it came)."""
        changes: list[tuple[float, bool]] = []
        for each in self.told:
            is_there = kind in each.course.findings
            if is_there is not (changes[-1][1] if changes else False):
                changes.append((each.second, is_there))
        return changes


def seen(told: list[Told]) -> list[Motion]:
    """Each motion once, in the order in which it was told."""
    motions: list[Motion] = []
    for each in told:
        if not motions or motions[-1] is not each.course.motion:
            motions.append(each.course.motion)
    return motions


def doubted(level_m: float, code: ReasonCode = ReasonCode.LOOP_OUTSIDE_SPAN) -> Input:
    return Input(level_m, Quality.UNCERTAIN, Reason(code, "in doubt"), 0.0, "X.s")
