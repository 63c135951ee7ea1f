"""What the endpoints answer, as kinds that their code is checked against and their description is made of.

What is described elsewhere (an inventory, a standing alarm) is named by the `schema` of its message.
"""

from typing import Annotated, Any, Literal, NotRequired

from pydantic import Field, WithJsonSchema
from typing_extensions import TypedDict

__all__ = [
    "MESSAGE",
    "ChangesPage",
    "DipsPage",
    "EventsPage",
    "FigureTrend",
    "Gap",
    "QualityWord",
    "Reading",
    "Reason",
    "ReportsPage",
    "SheetPage",
    "SheetStep",
    "SmallTrend",
    "SmallTrends",
    "TankPage",
    "TankPlanPage",
    "Time",
    "TrendPage",
]

MESSAGE = "x-message"
"""In the place of a reference to a message."""
QualityWord = Literal["Good", "Uncertain", "Bad"]
Time = Annotated[str, Field(json_schema_extra={"format": "date-time"}, description="UTC, ISO 8601")]
Inventory = Annotated[dict[str, Any], WithJsonSchema({MESSAGE: "inventory"})]
Event = Annotated[dict[str, Any], WithJsonSchema({MESSAGE: "event"})]


class Reason(TypedDict):
    """Why."""

    code: str
    text: str


class Sentence(TypedDict):
    """What an English sentence of this document is made of, for whoever tells it in other units or another language."""

    text: str
    phrase: str
    """With the names of its values in braces."""
    values: dict[str, Any]
    """Text; or `text` as it stands in the sentence beside `value` in SI and `unit`, `time`, or `seconds`."""


class Reading(TypedDict):
    """The newest of one signal of one instrument, with its words as they came. A Bad one has no value."""

    instrument: str
    signal: str
    value: float | bool | None
    unit: str | None
    quality: QualityWord
    reason: Reason | None
    time: Time
    raw: list[int]


class Limit(TypedDict):
    """A level of concern."""

    limit: str
    level: float


class PlannedElement(TypedDict):
    """A temperature element, by its height above the datum in m."""

    height: float
    name: str
    instrument: str | None
    signal: str | None


class PlannedTable(TypedDict):
    """Of what the volumes are read."""

    name: str
    clause: str
    kind: str
    """`table`, or the shape that they are worked out of."""
    datum: str
    date: str | None
    rows: int | None
    lowest: float
    highest: float
    heel: float
    notes: str


class PlannedDensity(TypedDict):
    """What is given of the density of the contents, in kg/m3, newest word first."""

    value: float
    unit: str
    at: str
    """`reference` or `tank`: the temperature that it is of."""
    origin: str
    entered: Time | None
    expires: Time | None
    how: str


class ByHand(TypedDict):
    """A value by hand that a tank has, from wherever: by the door, or of the site file."""

    quantity: str
    value: float
    unit: str
    origin: str
    entered: Time | None
    expires: Time | None
    stands_in: bool
    """It is used while an instrument has no value."""


class ReferenceTemperature(TypedDict):
    value: float
    unit: str


class TankPlanPage(TypedDict):
    """By what a tank is calculated now."""

    id: str | None
    """Which the records of history name; null before the first sheet."""
    description: str
    kind: str | None
    product: str
    method: str
    reference_temperature: ReferenceTemperature | None
    table: PlannedTable
    density: list[PlannedDensity]
    by_hand: list[ByHand]
    limits: list[Limit]
    lowest: float
    full: float
    reference_height: float
    roof: str | None
    """`floating`, or null for a fixed one."""
    pressurised: bool
    free_water: str
    elements: list[PlannedElement]
    immersion_margin: float
    instruments: dict[str, str]
    """By quantity, `INSTRUMENT.signal`."""
    period_s: float


class TankPage(TypedDict):
    """All that is known of one tank now."""

    schema: Literal["tank-gateway/page-tank/1"]
    tank: str
    time: Time
    simulated: bool
    inventory: Inventory | None
    """Null until its first sheet is made."""
    readings: list[Reading]
    plan: TankPlanPage
    sentences: list[Sentence]
    cautions: list[str]


Gap = TypedDict("Gap", {"from": Time, "until": Time})
"""Of which there is no record at all."""


class FigureTrend(TypedDict):
    """Of one figure, place by place as `times`: least, greatest and last value and the worst quality within a step.

    Null: no value, and with a null quality no record either. What was Bad has none.
    """

    unit: str
    times: list[Time]
    min: list[float | None]
    max: list[float | None]
    last: list[float | None]
    quality: list[QualityWord | None]
    gaps: list[Gap]


_Span = TypedDict("_Span", {"from": Time, "until": Time})


class TrendPage(_Span):
    """What figures of one tank were, by the ledger."""

    schema: Literal["tank-gateway/page-trend/1"]
    tank: str
    time: Time
    simulated: bool
    begin_s: int
    """Seconds since 1970 of the first of `times`; each further one is `step_s` later."""
    step_s: int
    figures: dict[str, FigureTrend]


class SmallTrend(TypedDict):
    """Of the level of one tank, place by place from `begin_s` on. Null: no value, or no record."""

    min: list[float | None]
    max: list[float | None]
    last: list[float | None]
    quality: list[QualityWord | None]


class SmallTrends(_Span):
    """The level of every tank of late, to be seen at a glance."""

    schema: Literal["tank-gateway/page-small-trends/1"]
    time: Time
    simulated: bool
    begin_s: int
    step_s: int
    figure: str
    unit: str
    tanks: dict[str, SmallTrend]


class SheetStep(TypedDict):
    """One figure of the calculation."""

    name: str
    symbol: str
    title: str
    value: float | None
    unit: str
    quality: QualityWord
    manual: bool
    reasons: list[Reason]
    clause: str
    """Its relation, and where that stands."""
    inputs: list[str]
    """Names of the steps that it rests on; empty: measured, or entered."""
    applies: bool
    """False where this tank has no such figure."""


class SheetInput(TypedDict):
    """What was measured or entered and went in."""

    name: str
    value: float | None
    unit: str
    quality: QualityWord
    reason: Reason | None
    source: str
    manual: bool
    time: Time | None


class SheetPage(TypedDict):
    """How the newest figures of a tank come about."""

    schema: Literal["tank-gateway/page-sheet/1"]
    tank: str
    product: str
    time: Time
    quality: QualityWord
    simulated: bool
    reference_temperature: ReferenceTemperature | None
    sources: dict[str, str]
    inputs: list[SheetInput]
    steps: list[SheetStep]
    sentences: list[Sentence]
    cautions: list[str]


class EventsPage(_Span):
    """What has happened to a tank, newest first; to the gateway itself where the tank is called `gateway`."""

    schema: Literal["tank-gateway/page-events/1"]
    tank: str
    time: Time
    simulated: bool
    events: list[Event]
    before: int | None
    """There are older ones in that time: ask again with this as `before`. Null: these are all."""
    unreadable: int
    sentences: list[Sentence]


class GaugeAtDip(TypedDict):
    """What the level of a sheet was; without a value where no gauge gave it."""

    value: float | None
    quality: QualityWord
    reason: Reason | None
    source: str
    time: Time | None


class HandDip(TypedDict):
    """A level dipped by hand; lengths in m above the datum."""

    measured: Time
    entered: Time
    by: str
    why: str
    typed: str
    tape: float
    withdrawn: bool
    gauge: GaugeAtDip | None
    """Null: there is no record of then."""
    difference: float | None
    """Gauge less dip."""
    within: Literal["fine", "inventory", "none"] | None
    """The narrowest tolerance that it is within."""
    motion: str | None
    """Of the tank then: what is dipped while it moves proves little."""


class DipsPage(TypedDict):
    """Whether a gauge agrees with hand dips."""

    schema: Literal["tank-gateway/page-dips/1"]
    tank: str
    time: Time
    simulated: bool
    tolerances: dict[str, float]
    """In m, by name."""
    dips: list[HandDip]
    sentences: list[Sentence]


class KnownReport(TypedDict):
    name: str
    summary: str
    of: list[str]
    """What it may be asked for by."""


class ReportsPage(TypedDict):
    """Which reports there are."""

    schema: Literal["tank-gateway/page-reports/1"]
    time: Time
    reports: list[KnownReport]
    forms: list[str]
    cautions: list[str]


class Change(TypedDict):
    """One row of the audit trail."""

    number: int
    time: Time
    hash: str
    by: str
    action: str
    asked: dict[str, Any]
    why: str
    before: NotRequired[Any]
    after: NotRequired[Any]
    text: NotRequired[str]
    """Of a row that is not of this version's form: as it stands there."""


class ChangesPage(_Span):
    """What people did, newest first."""

    schema: Literal["tank-gateway/page-changes/1"]
    time: Time
    rows: list[Change]
    before: int | None
    newest_hash: str | None
