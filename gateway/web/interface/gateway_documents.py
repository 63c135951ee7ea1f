"""What is answered of the gateway itself, its alarms and its stock, as kinds that their code is checked against."""

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from gateway.web.interface.documents import QualityWord, Reason, ReferenceTemperature, Sentence, Time

__all__ = ["AlarmTimesPage", "ChainPage", "GatewayPage", "GoodTimePage", "OutlookPage"]


class SentOnLine(TypedDict):
    """What was asked over a line since it was begun."""

    line: str
    path: str
    since: Time | None
    functions: dict[str, int]
    """Requests by the Modbus function code in the frame that was sent."""


class Writes(TypedDict):
    """Whether it can write to a device."""

    can: Literal[False]
    lines: list[SentOnLine]
    others: list[str]
    """Sources that are no Modbus lines: they are read from, and asked nothing."""


class Listens(TypedDict):
    """A port of the network that a connection can be made to, as the system has it."""

    address: str
    port: int
    what: str
    """`page` (this interface), `destination` (one that serves, by its name), or `unknown`: something else
    of the gateway or of what it has begun."""
    name: str


class Leads(TypedDict):
    """A way that the gateway itself begins a connection by."""

    to: str
    what: str
    name: str


class Client(TypedDict):
    """Who reads at a destination that serves."""

    address: str
    since: Time
    name: str
    refused: str


class Destination(TypedDict):
    destination: str
    connected: bool
    waiting: int | None
    """Entries of history that it has not got yet; null: it takes none."""
    oldest_s: float | None
    lost: int
    buffer_left_s: float | None
    """For how long the ledger can go on keeping for it at the rate of now; null: not known."""
    troubles: list[str]
    clients: list[Client]


class Certificate(TypedDict):
    """A file of TLS."""

    of: str
    """`page`, or the name of the line or destination."""
    file: str
    """Its whole path to administrators; else its name."""
    until: Time | None
    left_s: float | None
    """Until then; below zero: it has ended."""
    trouble: str
    """Why its end is not known; else empty."""


class Copy(TypedDict):
    time: Time
    file: str
    size_bytes: int


class Kept(TypedDict):
    """The ledger."""

    file: str
    size_bytes: int
    oldest: Time | None
    trouble: str
    copied: Copy | None
    """The last copy that `tank-gateway ledger backup` has made; null: none is known of."""
    copied_trouble: str


class Versions(TypedDict):
    """What the gateway runs on is told to those who have signed in."""

    gateway: str
    boot: str
    started: Time
    python: NotRequired[str]
    sqlite: NotRequired[str]
    tls: NotRequired[str]
    system: NotRequired[str]


class GatewayPage(TypedDict):
    """The gateway itself, for whoever has to allow it, keep it running and restore it."""

    schema: Literal["tank-gateway/page-gateway/1"]
    time: Time
    simulated: bool
    versions: Versions
    writes: Writes
    listens: list[Listens] | None
    """Null: the system does not say."""
    leads: list[Leads]
    destinations: list[Destination]
    certificates: list[Certificate]
    tls: bool
    """Whether the page itself is served over TLS."""
    view_without_sign_in: Literal["this machine", "everybody", "nobody"]
    ledger: Kept | None
    """Null: none is kept."""
    cautions: list[str]


class BrokenRow(TypedDict):
    number: int
    trouble: str


class NewestRow(TypedDict):
    number: int
    time: Time
    hash: str


class ChainPage(TypedDict):
    """Whether the audit trail is as it was written: every row hashed again."""

    schema: Literal["tank-gateway/page-chain/1"]
    time: Time
    """When it was looked through."""
    rows: int
    newest: NewestRow | None
    """Null: nobody has done anything yet."""
    broken: BrokenRow | None
    """The first row that is not as it was written; null: the chain is whole."""


class AlarmTime(TypedDict):
    tank: str | None
    """Null: of the gateway itself."""
    alarm: str
    raised: Time
    acknowledged: Time | None
    by: str
    answered_s: float | None
    returned: Time | None
    escalated: Time | None
    text: str


class AlarmRatesPage(TypedDict):
    raised: int
    acknowledged: int
    escalated: int
    median_s: float | None
    longest_s: float | None
    an_hour: float | None
    """On average; null of less than an hour."""
    most_in_ten_minutes: int


_Span = TypedDict("_Span", {"from": Time, "until": Time})


class AlarmTimesPage(_Span):
    """When alarms were raised and when people answered to them, newest first."""

    schema: Literal["tank-gateway/page-alarm-times/1"]
    time: Time
    simulated: bool
    since_first_record: bool
    """Whether `from` is when the ledger's entries begin, which is later than was asked for."""
    complete: bool
    """False: what is older than the last of them is left out, and `rates` are of less than was asked for."""
    rates: AlarmRatesPage
    alarms: list[AlarmTime]


class Minutes(TypedDict):
    """By the worst quality of each minute; `none`: minutes without a record."""

    good: int
    uncertain: int
    bad: int
    none: int


class GoodTimePage(_Span):
    """For how much of a time figures of each tank were Good."""

    schema: Literal["tank-gateway/page-good-time/1"]
    time: Time
    simulated: bool
    since_first_record: bool
    """Whether `from` is when the ledger's records begin, which is later than was asked for."""
    minutes: int
    tanks: dict[str, dict[str, Minutes]]
    """By tank and figure: level, tov, mass."""


class OutlookFigure(TypedDict):
    value: float | None
    unit: str
    quality: QualityWord
    reasons: list[Reason]
    manual: bool
    tanks: list[int]
    """How many it includes, of how many; empty where it is not of tanks."""


class LeftOut(TypedDict):
    tank: str
    text: str


class ProductOutlook(TypedDict):
    product: str
    measure: str
    """By which its book is kept, and its stock told."""
    reference_temperature: ReferenceTemperature | None
    stock: OutlookFigure
    available: OutlookFigure
    """Of the stock what lies above the minimum of its tanks."""
    offtake: OutlookFigure
    """A day, the mean of `days`."""
    cover: OutlookFigure
    """Days that `available` lasts at that."""
    room: OutlookFigure
    """To the maximum working levels, m3 of observed volume."""
    receipts: OutlookFigure
    """In `days` together, by their closes."""
    left_out: list[LeftOut]
    """Tanks of which stock or room have nothing, and why."""
    in_maintenance: list[str]
    """Tanks on an instrument of which somebody works."""


class OutlookPage(TypedDict):
    """What is there by product, for how long it lasts and what fits."""

    schema: Literal["tank-gateway/page-outlook/1"]
    time: Time
    time_zone: str
    simulated: bool
    oldest: Time | None
    """Of the sheets in it."""
    days: list[str]
    """The seven that ended last."""
    closed: list[str]
    """Those of them that are closed."""
    days_trouble: str
    """Why the closes cannot be read; else empty."""
    products: list[ProductOutlook]
    sentences: list[Sentence]
