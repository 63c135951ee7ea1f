"""Gaugings, tickets and days for tests of the accounts: tanks whose figures can be checked in the head.

A tank of 100 m2: its volume is 100 m3 a metre. By default at 15 degC, so that GSV = GOV, and 800 kg/m3.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from gateway.account.amount import Amount, AmountKind, AmountSource
from gateway.account.day import Balance, DayClose
from gateway.account.days.boundary import Day
from gateway.account.days.close import DayBooks, close_day
from gateway.account.gauging import GAUGED, Gauging
from gateway.account.plan import AccountPlan
from gateway.account.ticket import Ticket, TicketSide
from gateway.account.transfer import Direction, Side, Transfer, TransferKind, TransferPhase
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.sources import DensitySource, LevelSource, Sources, TemperatureSource, WaterSource
from gateway.states import RoofZone
from gateway.tank_state import Motion

__all__ = [
    "AREA_M2",
    "LONDON",
    "NOTHING",
    "amount",
    "at",
    "bad_gauging",
    "balance",
    "books_of",
    "closed",
    "gauging",
    "plan",
    "said",
    "ticket",
    "transfer",
]

AREA_M2 = 100.0
LONDON = "Europe/London"
_NA = Figure(None, Quality.GOOD, (Reason(ReasonCode.NOT_APPLICABLE, "not fitted on this tank"),), 0.0)
NOTHING = Reason(ReasonCode.NO_ANSWER, "the gauge did not answer")
_SOURCES = Sources(LevelSource.GAUGE, TemperatureSource.ELEMENTS, WaterSource.DECLARED_NONE, DensitySource.REFERENCE)
_BY_VOLUME = ("tov", "gov", "gsv", "nsv")
_BY_MASS = ("mass", "weight_in_air", "net_mass", "net_weight_in_air")


def plan(zone: str = LONDON, **changed: Any) -> AccountPlan:
    given: dict[str, Any] = {"zone": ZoneInfo(zone), "time_zone": zone, "boundary": time(6, 0)} | changed
    return AccountPlan(**given)


def at(text: str) -> datetime:
    """`2026-03-14 06:00`, UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def gauging(
    tank: str,
    instant: datetime,
    volume_m3: float,
    *,
    product: str = "diesel",
    density: float = 800.0,
    quality: Quality = Quality.GOOD,
    motion: Motion = Motion.AT_REST,
    sequence: int | None = None,
    simulated: bool = False,
    without: Sequence[str] = (),
    **figures: float | Figure | None,
) -> Gauging:
    """One with `volume_m3` in the tank. `without`: figures that do not apply to it."""
    reasons = () if quality is Quality.GOOD else (Reason(ReasonCode.ELEMENT_FAILED, "one element has failed"),)
    values: dict[str, float | Figure | None] = {
        "level": volume_m3 / AREA_M2,
        "liquid_temperature": 15.0,
        "reference_density": density,
        "observed_density": density,
        "ctl": 1.0,
        "cpl": 1.0,
        "free_water": 0.0,
        "pumpable": max(0.0, volume_m3 - 100.0),
        "room": 1000.0 - volume_m3,
    }
    values |= dict.fromkeys(_BY_VOLUME, volume_m3) | dict.fromkeys(_BY_MASS, volume_m3 * density) | figures
    given: dict[str, Figure] = {}
    for name in GAUGED:
        value = values.get(name)
        if isinstance(value, Figure):
            given[name] = value
        elif value is None or name in without:
            given[name] = _NA
        else:
            given[name] = Figure(value, quality, reasons, 2.0)
    return Gauging(
        tank=tank,
        product=product,
        instant=instant,
        boot="0f" * 16,
        sequence=int(instant.timestamp()) if sequence is None else sequence,
        plan="p1",
        quality=quality,
        figures=given,
        simulated=simulated,
        motion=motion,
        sources=_SOURCES,
        roof=None if tank != "TK-ROOF" else RoofZone.FLOATING,
        elements=(4, 5),
        clock_doubt=None,
        reference_temperature_c=15.0,
    )


def bad_gauging(tank: str, instant: datetime, *, product: str = "diesel") -> Gauging:
    """One whose level is lost."""
    good = gauging(tank, instant, 0.0, product=product)
    lost = Figure(None, Quality.BAD, (NOTHING,), 60.0)
    figures = {name: figure if figure.value is None else lost for name, figure in good.figures.items()}
    return good._replace(quality=Quality.BAD, figures=figures)


def _difference(opening: Gauging, closing: Gauging) -> Mapping[str, Figure]:
    found = {}
    for name in (*_BY_VOLUME, *_BY_MASS):
        before, after = opening.figures[name], closing.figures[name]
        if before.value is None or after.value is None:
            found[name] = Figure(None, max(before.quality, after.quality), after.reasons, 0.0)
        else:
            found[name] = Figure(after.value - before.value, max(before.quality, after.quality), (), 0.0)
    return found


def ticket(
    number: int,
    kind: TransferKind,
    *pairs: tuple[Gauging, Gauging],
    reverses: int | None = None,
    replaces: int | None = None,
    transfer: int | None = None,
) -> Ticket:
    """One of (opening, closing) of each tank, made when the last has closed."""
    sides = tuple(
        TicketSide(
            opening.tank,
            Direction.INTO if (closing.value("tov") or 0.0) >= (opening.value("tov") or 0.0) else Direction.OUT_OF,
            opening,
            closing,
            _difference(opening, closing),
        )
        for opening, closing in pairs
    )
    ended = max(side.closing.instant for side in sides)
    return Ticket(
        number=number,
        transfer=number if transfer is None else transfer,
        kind=kind,
        product=sides[0].opening.product,
        sides=sides,
        moved=sides[-1].moved,
        uncertainty={},
        began=min(side.opening.instant for side in sides),
        ended=ended,
        made=ended,
        by="loader",
        quality=Quality.GOOD,
        reverses=reverses,
        replaces=replaces,
    )


def transfer(
    number: int,
    kind: TransferKind,
    phase: TransferPhase,
    opening: Gauging,
    closing: Gauging | None = None,
    *,
    ended: datetime | None = None,
) -> Transfer:
    direction = Direction.OUT_OF if kind is TransferKind.DISPATCH else Direction.INTO
    return Transfer(
        number=number,
        kind=kind,
        phase=phase,
        since=opening.instant,
        sides=(Side(opening.tank, direction, opening, closing),),
        product=opening.product,
        began=opening.instant,
        ended=ended,
    )


def amount(
    number: int,
    kind: AmountKind,
    value: float,
    instant: datetime,
    *,
    product: str = "diesel",
    measure: str = "gsv",
    source: AmountSource = AmountSource.METER,
    ticket: int | None = None,
    reference: str = "",
    reverses: int | None = None,
    entered: datetime | None = None,
    why: str = "",
) -> Amount:
    return Amount(
        number=number,
        kind=kind,
        source=source,
        product=product,
        value=value,
        measure=measure,
        instant=instant,
        entered=entered or instant + timedelta(minutes=5),
        by="accountant",
        reference=reference,
        ticket=ticket,
        why=why,
        reverses=reverses,
    )


def closed(plan: AccountPlan, day: Day, sheets: Sequence[Gauging], **books: Any) -> DayClose:
    """The first close of a day, or the next revision, by these sheets; there must be one."""
    found = close_day(plan, day, books_of(sheets, **books), day.end + timedelta(minutes=10))
    assert found is not None
    return found


def books_of(sheets: Sequence[Gauging], **books: Any) -> DayBooks:
    by_tank: dict[str, list[Gauging]] = {}
    for sheet in sheets:
        by_tank.setdefault(sheet.tank, []).append(sheet)
    products = {tank: held[-1].product for tank, held in by_tank.items()}
    return DayBooks(by_tank, books.pop("products", products), **books)


def balance(close: DayClose, product: str = "diesel") -> Balance:
    return next(each for each in close.balances if each.product == product)


def said(figure: Figure) -> str:
    """What people are told of a figure, for a look at its reasons."""
    return "; ".join(reason.text for reason in figure.reasons)
