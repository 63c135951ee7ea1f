"""What the ledger keeps of an invented site, for the reports: ten tanks, a ticket, a day."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from zoneinfo import ZoneInfo

from gateway.account.day import Balance, DayClose, TankAtClose
from gateway.account.gauging import GAUGED, MEASURES, Gauging
from gateway.account.ticket import Ticket, TicketSide
from gateway.account.transfer import Direction, Mark, MarkKind, Planned, TransferKind
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.reports.plan import ReportPlan
from gateway.reports.tables.scales import Scale
from gateway.reports.tables.stock import StockAt
from gateway.sources import DensitySource, LevelSource, Sources, TemperatureSource, WaterSource
from gateway.tank_state import Motion

__all__ = [
    "AFTER",
    "BOOT",
    "CLOSE",
    "CLOSING",
    "LONDON",
    "LOST",
    "MARKS",
    "OPENING",
    "PLAN",
    "SCALES",
    "SMALL",
    "TANKS",
    "TK_101",
    "TK_204",
    "at_close",
    "bad",
    "balance",
    "day",
    "gauging",
    "good",
    "side",
    "stock",
    "ticket",
    "uncertain",
]

LONDON = ZoneInfo("Europe/London")
CLOSE = datetime(2026, 7, 1, 5, 0, tzinfo=UTC)
"""06:00 of the site in summer."""
BOOT = "000102030405060708090a0b0c0d0e0f"
PLAN = ReportPlan()
_SOURCES = Sources(LevelSource.GAUGE, TemperatureSource.ELEMENTS, WaterSource.PROBE, DensitySource.REFERENCE)
_NOT_FITTED = Reason(ReasonCode.NOT_APPLICABLE, "not fitted on this tank")
_UNSEEN = Reason(ReasonCode.NOT_WATCHED, "the gateway does not watch it")
_LOST = Reason(ReasonCode.NO_ANSWER, "gauge did not answer within 1 s")
_OLD = Reason(ReasonCode.LAST_GOOD_USED, "the last good value of 2 h ago is used")


def good(value: float | None) -> Figure:
    return Figure(value, Quality.GOOD, () if value is not None else (_NOT_FITTED,), 2.0)


def uncertain(value: float) -> Figure:
    return Figure(value, Quality.UNCERTAIN, (_OLD,), 7200.0)


def bad() -> Figure:
    return Figure(None, Quality.BAD, (_LOST,), 75.0)


def gauging(
    tank: str = "TK-101",
    product: str = "diesel",
    given: Mapping[str, Figure | float] = MappingProxyType({}),
    *,
    instant: datetime = CLOSE - timedelta(seconds=4),
    sequence: int = 4711,
    simulated: bool = False,
    motion: Motion = Motion.AT_REST,
    sources: Sources = _SOURCES,
    elements: tuple[int, int] = (4, 5),
    reference_c: float | None = 15.0,
) -> Gauging:
    """Those figures that are given, the others not applicable; quality the worst of them."""
    figures: dict[str, Figure] = {name: good(None) for name in GAUGED}
    figures |= {name: each if isinstance(each, Figure) else good(each) for name, each in given.items()}
    worst = max(figure.quality for figure in figures.values())
    return Gauging(
        tank=tank,
        product=product,
        instant=instant,
        boot=BOOT,
        sequence=sequence,
        plan="5f4dcc3b5aa765d61d8327deb882cf99",
        quality=worst,
        figures=figures,
        simulated=simulated,
        motion=motion,
        sources=sources,
        roof=None,
        elements=elements,
        clock_doubt=None,
        reference_temperature_c=reference_c,
    )


# practice.md, section 5: tanks 1 and 2, in SI.
TK_101: Mapping[str, Figure | float] = {
    "level": 9.412,
    "ullage": 5.828,
    "water_level": 0.035,
    "liquid_temperature": 14.70,
    "reference_density": 838.0,
    "observed_density": 838.21,
    "tov": 2395.06,
    "free_water": 8.91,
    "gov": 2386.15,
    "ctl": 1.00025,
    "cpl": 1.0,
    "gsv": 2386.75,
    "nsv": 2386.75,
    "mass": 2_000_096.0,
    "weight_in_air": 1_997_505.0,
    "pumpable": 2166.09,
    "room": 963.96,
}
TK_204: Mapping[str, Figure | float] = {
    "level": 8.236,
    "ullage": 7.564,
    "water_level": 0.052,
    "liquid_temperature": 17.97,
    "reference_density": 742.0,
    "tov": 3725.9,
    "free_water": 23.52,
    "gov": 3640.12,
    "ctl": 0.99637,
    "gsv": 3626.94,
    "nsv": 3626.94,
    "mass": 2_691_190.0,
    "weight_in_air": 2_687_400.0,
    "pumpable": 2721.4,
    "room": 2155.3,
}
LOST: Mapping[str, Figure | float] = {
    name: bad()
    for name in ("level", "ullage", "tov", "free_water", "gov", "gsv", "nsv", "mass", "weight_in_air", "pumpable")
} | {"room": bad(), "liquid_temperature": 15.21, "reference_density": 838.0}
SMALL: Mapping[str, Figure | float] = {
    "level": 3.055,
    "ullage": 5.295,
    "liquid_temperature": uncertain(39.0),
    "reference_density": 838.0,
    "tov": 86.38,
    "free_water": 0.0,
    "gov": 86.38,
    "ctl": uncertain(0.98280),
    "gsv": uncertain(84.89),
    "nsv": uncertain(84.89),
    "mass": uncertain(74_790.0),
    "weight_in_air": uncertain(74_690.0),
    "pumpable": 76.48,
    "room": 117.2,
}
SCALES: Mapping[str, Scale] = {
    "TK-101": Scale(15.240, 0.900, 13.200, 13.550, 13.950),
    "TK-204": Scale(15.800, 2.200, 13.000, 13.300, 13.650),
}


def at_close(each: Gauging, *, is_moving: bool = False, owner: str = "") -> TankAtClose:
    return TankAtClose(each.tank, each, is_moving, owner)


TANKS = (
    at_close(gauging("TK-101", "diesel", TK_101), owner="Brackenmoor Fuels"),
    at_close(gauging("TK-102", "diesel", LOST, elements=(3, 5))),
    at_close(gauging("TK-103", "diesel", SMALL, elements=(1, 3))),
    at_close(gauging("TK-204", "gasoline", TK_204, motion=Motion.FILLING), is_moving=True),
    TankAtClose("TK-300", None, False, reasons=(_UNSEEN,), product="diesel"),
)


def stock(*tanks: TankAtClose, simulated: bool = False) -> StockAt:
    return StockAt(
        "brackenmoor",
        CLOSE,
        LONDON,
        tanks or TANKS,
        "brackenmoor stock 2026-07-01T05:00:00Z",
        simulated=simulated,
        scales=SCALES,
    )


def side(opening: Gauging, closing: Gauging, direction: Direction = Direction.OUT_OF) -> TicketSide:
    """What went out of the tank, or into it."""
    sign = 1.0 if direction is Direction.INTO else -1.0
    moved = {name: _difference(opening.figures[name], closing.figures[name], sign) for name in MEASURES}
    return TicketSide(opening.tank, direction, opening, closing, moved)


def _difference(before: Figure, after: Figure, sign: float) -> Figure:
    quality = max(before.quality, after.quality)
    if before.value is None or after.value is None:
        return Figure(None, quality, (*before.reasons, *after.reasons), 2.0)
    return Figure(sign * (after.value - before.value), quality, (*before.reasons, *after.reasons), 2.0)


def ticket(
    number: int = 17,
    *sides: TicketSide,
    kind: TransferKind = TransferKind.DISPATCH,
    partner: str = "Road car RC-12",
    reverses: int | None = None,
    marks: tuple[Mark, ...] = (),
    simulated: bool = False,
) -> Ticket:
    """Of one dispatch out of TK-101 unless sides are given; its amount is that of its first tank."""
    given = sides or (side(OPENING, CLOSING),)
    moved = given[-1].moved
    return Ticket(
        number=number,
        transfer=number + 3,
        kind=kind,
        product=given[0].opening.product,
        sides=given,
        moved=moved,
        uncertainty={"gsv": 0.62, "tov": 0.61},
        began=given[0].opening.instant,
        ended=given[0].closing.instant - timedelta(minutes=31),
        made=given[0].closing.instant + timedelta(seconds=1),
        by="a.smith",
        quality=max(figure.quality for figure in moved.values()),
        reverses=reverses,
        why="the wrong customer" if reverses is not None else "",
        partner=partner,
        reference="BL-2026-0117",
        owner="Brackenmoor Fuels",
        planned=Planned(32.0, "gsv", given[0].opening.instant - timedelta(hours=1)),
        marks=marks,
        simulated=simulated,
    )


AFTER: Mapping[str, Figure | float] = {
    **TK_101,
    "level": 9.286,
    "ullage": 5.954,
    "liquid_temperature": 14.68,
    "tov": 2362.99,
    "gov": 2354.08,
    "gsv": 2354.71,
    "nsv": 2354.71,
    "mass": 1_973_247.0,
    "weight_in_air": 1_970_691.0,
}
OPENING = gauging("TK-101", "diesel", TK_101, instant=CLOSE + timedelta(hours=2))
CLOSING = gauging("TK-101", "diesel", AFTER, instant=CLOSE + timedelta(hours=3, minutes=12), sequence=5143)
MARKS = (
    Mark(MarkKind.PAUSED, CLOSE + timedelta(hours=2, minutes=20), "paused: the driver changes the hose", "a.smith"),
    Mark(MarkKind.GAP, CLOSE + timedelta(hours=2, minutes=25), "nobody watched for 3 min: the gateway was down"),
)


def balance(
    product: str = "diesel",
    measure: str = "gsv",
    *,
    opening: float = 4812.4,
    receipts: float = 1200.0,
    dispatches: float = 962.35,
    own_use: float = 0.0,
    adjustments: float = 0.0,
    gain: float | None = -2.05,
    quality: Quality = Quality.GOOD,
    unaccounted: Figure | None = None,
    tolerance: float | None = None,
) -> Balance:
    """Book and physical follow; without a gain physical is Bad."""
    book = opening + receipts - dispatches - own_use + adjustments
    reasons = () if quality is Quality.GOOD else (_OLD,)

    def figure(value: float | None) -> Figure:
        return bad() if value is None else Figure(value, quality, reasons, 2.0)

    return Balance(
        product=product,
        measure=measure,
        opening=figure(opening),
        receipts=good(receipts),
        dispatches=good(dispatches),
        own_use=good(own_use),
        adjustments=good(adjustments),
        book=figure(book),
        physical=figure(None if gain is None else book + gain),
        gain=figure(gain),
        throughput=good(dispatches + own_use),
        uncertainty=5.3,
        tanks=(2, 3) if gain is None else (3, 3),
        documents=4,
        tickets=2,
        unaccounted=unaccounted,
        tolerance=tolerance,
    )


def day(
    name: str = "2026-06-30",
    revision: int = 1,
    *,
    balances: tuple[Balance, ...] = (balance(), balance("lpg", "total_mass", opening=40_960.0, receipts=20_000.0)),
    end: datetime = CLOSE,
    month: tuple[Balance, ...] | None = None,
) -> DayClose:
    return DayClose(
        day=name,
        revision=revision,
        begin=end - timedelta(hours=24),
        end=end,
        made=end + timedelta(minutes=10),
        by="",
        tanks=TANKS,
        balances=balances,
        month=balances if month is None else month,
        quality=Quality.GOOD,
        why="the ship's document came in" if revision > 1 else "",
        time_zone="Europe/London",
    )
