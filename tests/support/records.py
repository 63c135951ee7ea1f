"""Records for the tests of what leaves the gateway: one realistic inventory, and any that the contract allows."""

from datetime import UTC, datetime, timedelta

from hypothesis import strategies as st

from gateway.figures import tank_quality
from gateway.payload.writer import StatusContext
from gateway.records import (
    ENTRIES,
    ElementUse,
    Ending,
    Figure,
    Figures,
    Inventory,
    LastGood,
    LevelState,
    Quality,
    Reason,
    ReasonCode,
    TankInput,
    because,
)
from gateway.sources import DensitySource, LevelSource, Sources, TemperatureSource, WaterSource
from gateway.states import LimitState, RoofZone
from gateway.status import DestinationStatus, GatewaySnapshot, Histogram, InstrumentStatus, LineStatus, Trouble
from gateway.tank_record import Identity, TankRecord

__all__ = [
    "BOOT",
    "CONTEXT",
    "NOON",
    "bad",
    "figures",
    "inventories",
    "inventory",
    "na",
    "record",
    "record_of",
    "snapshot",
]

NOON = datetime(2026, 3, 14, 12, 0, 0, 250_000, tzinfo=UTC)
BOOT = "000102030405060708090a0b0c0d0e0f"
CONTEXT = StatusContext(NOON - timedelta(hours=1), 75.0)
"""A status told each 30 s over a connection of an hour ago."""

_NOT_APPLICABLE = Reason(ReasonCode.NOT_APPLICABLE, "not fitted on this tank")
_NO_ANSWER = Reason(ReasonCode.NO_ANSWER, "gauge did not answer within 1 s")


def na() -> Figure:
    return Figure(None, Quality.GOOD, (_NOT_APPLICABLE,), 0.0)


def bad(reason: Reason = _NO_ANSWER) -> Figure:
    return Figure(None, Quality.BAD, (reason,), 75.0)


def figures(**given: Figure) -> Figures:
    """Every figure not applicable but a Good level of 9.412 m, 2 s old, and those given."""
    base = Figures(*(na() for _ in Figures._fields))
    return base._replace(**{"level": Figure(9.412, Quality.GOOD, (), 2.0), **given})


def inventory(
    tank: str = "TK-1",
    *,
    simulated: bool = False,
    instant: datetime = NOON,
    elements: tuple[ElementUse, ...] = (),
    last_good: dict[str, LastGood] | None = None,
    **given: Figure,
) -> Inventory:
    sheet = figures(**given)
    worst = tank_quality(sheet)
    return Inventory(tank, "gasoline", instant, sheet, elements, worst, simulated, last_good or {})


def record_of(
    site: str, boot: str, sequence: int, inventory: Inventory, valid_for_s: float | None = None
) -> TankRecord:
    """A record of which nobody looks at what it was made from."""
    identity = Identity(site, inventory.tank, boot, sequence)
    given = TankInput(inventory.tank, inventory.instant)
    return TankRecord(identity, given, inventory, valid_for_s=valid_for_s)


def record(tank: str = "TK-1", sequence: int = 1, *, simulated: bool = False, **given: Figure) -> TankRecord:
    sheet = figures(**given)
    worst = tank_quality(sheet)
    return record_of(
        "harbour", BOOT, sequence, Inventory(tank, "gasoline", NOON, sheet, (), worst, simulated, {}), 10.0
    )


def snapshot(*records: TankRecord, simulated: bool = False) -> GatewaySnapshot:
    histogram = Histogram((0.01, 0.1, float("inf")), (3, 5, 6), 0.42)
    return GatewaySnapshot(
        site="harbour",
        boot=BOOT,
        version="0.0.0",
        simulated=simulated,
        started_ns=1_773_480_000_000_000_000,
        instant=NOON,
        inventories=records,
        lines=(
            LineStatus(
                "east",
                True,
                12.5,
                histogram,
                late_answers=4,
                unsolicited_frames=1,
                second_master_suspicions=5,
                second_answers=8,
                shifts=9,
                on_standby=True,
                connections_wanted=4,
                connections_open=2,
            ),
        ),
        instruments=(
            InstrumentStatus("LT-1", "east", True, 6, {"no_answer": 2}, 1_773_489_599_000_000_000, histogram, 0.25, 7),
            InstrumentStatus("TT-1", "east", False, 4, {}, None, histogram),
        ),
        destinations=(DestinationStatus("mqtt", True, 40, 2, 1, 0.75, (Trouble("other_gateway", "there are two"),)),),
        calculation_errors=3,
    )


_numbers = st.floats(allow_nan=False, allow_infinity=False)
_reasons = st.builds(
    # By name alone: `Reason` itself would be drawn with reasons in its values.
    lambda code, text, length: (
        Reason(code, text) if length is None else because(code, "{name} at {x:mm .0f}", name=text, x=length)
    ),
    st.sampled_from(ReasonCode),
    st.text(min_size=1, max_size=40),
    st.none() | st.floats(-10.0, 10.0),
)
_empty_codes = st.sampled_from((ReasonCode.NOT_APPLICABLE, ReasonCode.NONE_DETECTED))
_ages = st.one_of(st.floats(min_value=0.0, max_value=1e9), st.just(float("inf")))
_instants = st.datetimes(
    min_value=datetime(2000, 1, 1),  # noqa: DTZ001 (hypothesis takes naive bounds and adds the zone)
    max_value=datetime(2100, 1, 1),  # noqa: DTZ001
    timezones=st.just(UTC),
)

_any_figure = st.one_of(
    st.builds(Figure, _numbers, st.just(Quality.GOOD), st.just(()), _ages, st.booleans()),
    st.builds(
        Figure,
        st.none(),
        st.just(Quality.GOOD),
        st.builds(lambda code: (Reason(code, "because"),), _empty_codes),
        _ages,
        st.booleans(),
    ),
    st.builds(
        Figure,
        _numbers,
        st.just(Quality.UNCERTAIN),
        st.lists(_reasons, min_size=1, max_size=3).map(tuple),
        _ages,
        st.booleans(),
    ),
    st.builds(
        Figure,
        st.none() | _numbers,  # a value beside Bad breaks the contract of records; it must still not leave
        st.just(Quality.BAD),
        st.lists(_reasons, min_size=1, max_size=3).map(tuple),
        _ages,
        st.booleans(),
    ),
)

_any_element = st.one_of(
    st.builds(
        ElementUse,
        _numbers,
        _numbers,
        st.just(True),
        st.floats(min_value=0.0, max_value=1.0),
        st.sampled_from((Quality.GOOD, Quality.UNCERTAIN)),
        st.none() | _reasons,
        st.none() | st.booleans(),
    ),
    st.builds(
        ElementUse, _numbers, st.none() | _numbers, st.just(False), st.just(0.0), st.sampled_from(Quality), _reasons
    ),
)


_SOURCES = (LevelSource, TemperatureSource, WaterSource, DensitySource)
_limits = st.none() | _numbers
_level_states = st.builds(
    LevelState,
    st.sampled_from(LimitState),
    st.none() | st.sampled_from(RoofZone),
    st.sampled_from(Quality),
    _limits,
    _limits,
    _limits,
    _limits,
)


@st.composite
def inventories(draw: st.DrawFn) -> Inventory:
    """Any inventory the contract of `gateway.records` allows, and Bad figures that keep a value against it."""
    sheet = Figures(*(draw(_any_figure) for _ in Figures._fields))
    times = st.builds(LastGood, _numbers, _instants.map(lambda instant: (instant - timedelta(seconds=60)).timestamp()))
    return Inventory(
        tank=draw(st.text(min_size=1, max_size=12)),
        product=draw(st.text(max_size=12)),
        instant=draw(_instants),
        figures=sheet,
        elements=tuple(draw(st.lists(_any_element, max_size=4))),
        quality=max(figure.quality for figure in sheet),
        simulated=draw(st.booleans()),
        last_good=draw(st.dictionaries(st.sampled_from(Figures._fields), times, max_size=4)),
        sources=draw(st.builds(Sources, *map(st.sampled_from, _SOURCES))),
        level_state=draw(_level_states),
        reference_temperature_c=draw(st.none() | st.floats(-50.0, 200.0)),
        endings=tuple(draw(st.lists(st.builds(Ending, st.sampled_from(sorted(ENTRIES)), _instants), max_size=2))),
    )
