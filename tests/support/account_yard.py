"""A yard of tanks for the accounts: sheets by level and time, as the pipeline would give them, without its instruments.

The tanks are upright cylinders like TK-101 of the demo site: 18.000 m, flat bottom. CTL by the constant expansion
coefficient of the demo, 0.000846 per degC (exponential form), density 838.0 kg/m3 at 15 degC.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import exp, pi
from zoneinfo import ZoneInfo

from gateway.account.plan import AccountPlan
from gateway.records import Figure, Inventory, LevelState, Quality, Reason, ReasonCode, TankInput
from gateway.sources import DensitySource, LevelSource, Sources, TemperatureSource, WaterSource
from gateway.states import RoofZone
from gateway.tank_record import Identity, TankRecord
from gateway.tank_state import AlarmKind, AlarmPhase, AlarmStanding, Motion, Priority, TankState
from tests.support.records import figures

__all__ = ["AREA_M2", "NOON", "PLAN", "Tank", "Yard", "ctl_of"]

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
PLAN = AccountPlan(ZoneInfo("Europe/London"), "Europe/London", simulated=True)
AREA_M2 = pi * 18.0**2 / 4.0
DENSITY = 838.0
ALPHA = 0.000846
MAXIMUM_WORKING_M, MINIMUM_M = 13.2, 0.9
_AIR = (1.0 - 1.2 / DENSITY) / (1.0 - 1.2 / 8000.0)
_SOURCES = Sources(LevelSource.GAUGE, TemperatureSource.ELEMENTS, WaterSource.PROBE, DensitySource.REFERENCE)
_NO_ANSWER = Reason(ReasonCode.NO_ANSWER, "gauge did not answer within 1 s")


def ctl_of(temperature_c: float) -> float:
    """exp[-a dT (1 + 0.8 a dT)], the demo's method."""
    apart = ALPHA * (temperature_c - 15.0)
    return exp(-apart * (1.0 + 0.8 * apart))


@dataclass
class Tank:
    """What is in one tank, and what its watch says."""

    tag: str
    level_m: float = 5.0
    water_m: float = 0.035
    temperature_c: float = 15.0
    product: str = "diesel"
    plan: str = "plan-1"
    basis: str = "basis-1"
    motion: Motion = Motion.AT_REST
    since: datetime = NOON - timedelta(hours=6)
    rate_m_s: float = 0.0
    quality: Quality = Quality.GOOD
    reasons: tuple[Reason, ...] = ()
    is_lost: bool = False
    simulated: bool = True
    roof: RoofZone | None = None
    activity: str = ""
    alarms: tuple[AlarmKind, ...] = ()
    density: float = DENSITY
    sequence: int = 0
    noticed: list[tuple[float, Motion]] = field(default_factory=list)
    """When the watch will hear of flows and their ends, by the steady clock, and what it will say."""


@dataclass
class Yard:
    """Tanks, a clock that may be set, and one that never is."""

    tanks: dict[str, Tank] = field(default_factory=dict)
    now: datetime = NOON
    steady_s: float = 1000.0
    boot: str = "boot-1"
    clock_doubt: Reason | None = None
    notices_after_s: float = 0.0
    """How late the watch hears of a flow, and of its end."""

    def passes(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)
        self.steady_s += seconds

    def is_set(self, by_s: float) -> None:
        """The clock is. As the watch does: since when a tank moves is told anew by the new clock."""
        self.now += timedelta(seconds=by_s)
        for tank in self.tanks.values():
            tank.since += timedelta(seconds=by_s)

    def moves(self, tag: str, rate_m_s: float) -> None:
        """From now on; 0: it comes to rest."""
        tank = self.tanks[tag]
        motion = Motion.AT_REST if rate_m_s == 0.0 else Motion.FILLING if rate_m_s > 0.0 else Motion.EMPTYING
        tank.rate_m_s = rate_m_s
        tank.noticed.append((self.steady_s + self.notices_after_s, motion))
        self._notice(tank)

    def another_boot(self, steady_s: float) -> None:
        """Sheets count from 1 again, by another steady clock; how tanks move is found anew."""
        self.steady_s = steady_s
        self.boot = f"boot-{int(self.boot[5:]) + 1}"
        for tank in self.tanks.values():
            tank.sequence = 0
            tank.noticed = [(steady_s + self.notices_after_s, motion) for _, motion in tank.noticed[-1:]]

    def _notice(self, tank: Tank) -> None:
        while tank.noticed and self.steady_s >= tank.noticed[0][0]:
            _, motion = tank.noticed.pop(0)
            if motion is not tank.motion:
                tank.motion, tank.since = motion, self.now

    def sheet(self, tag: str) -> TankRecord:
        tank = self.tanks[tag]
        tank.sequence += 1
        self._notice(tank)
        inventory = self._inventory(tank)
        given = TankInput(tag, self.now, simulated=tank.simulated, steady_s=self.steady_s, clock_doubt=self.clock_doubt)
        bad = Figure(None, Quality.BAD, (_NO_ANSWER,), 75.0)
        motion = Motion.UNKNOWN if tank.is_lost else tank.motion
        state = TankState(
            motion,
            None if tank.is_lost else tank.since,
            bad if tank.is_lost else Figure(tank.rate_m_s * AREA_M2, Quality.GOOD, (), 2.0),
            bad if tank.is_lost else Figure(tank.rate_m_s, Quality.GOOD, (), 2.0),
            (),
            tank.activity,
            tuple(_standing(kind) for kind in tank.alarms),
        )
        identity = Identity("harbour", tag, self.boot, tank.sequence)
        return TankRecord(identity, given, inventory, state, plan=tank.plan, basis=tank.basis)

    def sheets(self) -> dict[str, TankRecord]:
        return {tag: self.sheet(tag) for tag in self.tanks}

    def _inventory(self, tank: Tank) -> Inventory:
        bad = Figure(None, Quality.BAD, (_NO_ANSWER,), 75.0)

        def figure(value: float) -> Figure:
            return bad if tank.is_lost else Figure(value, tank.quality, tank.reasons, 2.0)

        tov, water = AREA_M2 * tank.level_m, AREA_M2 * tank.water_m
        gov, ctl = tov - water, ctl_of(tank.temperature_c)
        gsv = gov * ctl
        sheet = figures(
            level=figure(tank.level_m),
            water_level=Figure(tank.water_m, Quality.GOOD, (), 2.0),
            liquid_temperature=Figure(tank.temperature_c, Quality.GOOD, (), 2.0),
            reference_density=Figure(tank.density, Quality.GOOD, (), 2.0),
            observed_density=figure(tank.density * ctl),
            ctl=figure(ctl),
            tov=figure(tov),
            free_water=figure(water),
            gov=figure(gov),
            gsv=figure(gsv),
            nsv=figure(gsv),
            mass=figure(gsv * tank.density),
            weight_in_air=figure(gsv * tank.density * _AIR),
            net_mass=figure(gsv * tank.density),
            net_weight_in_air=figure(gsv * tank.density * _AIR),
            pumpable=figure(max(0.0, gov - (AREA_M2 * MINIMUM_M - water))),
            room=figure(max(0.0, AREA_M2 * (MAXIMUM_WORKING_M - tank.level_m))),
        )
        worst = Quality.BAD if tank.is_lost else tank.quality
        level_state = LevelState(roof=tank.roof, quality=worst)
        return Inventory(
            tank.tag,
            tank.product,
            self.now,
            sheet,
            (),
            worst,
            tank.simulated,
            {},
            _SOURCES,
            level_state,
            reference_temperature_c=15.0,
        )


def _standing(kind: AlarmKind) -> AlarmStanding:
    reason = Reason(ReasonCode.LEVEL_FROZEN, "the level stands still while liquid flows")
    return AlarmStanding(kind.value, kind, AlarmPhase.UNACKNOWLEDGED, Priority.SOON, True, NOON, NOON, reason=reason)
