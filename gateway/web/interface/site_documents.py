"""What is answered to whoever looks at the site file, checks another, or proposes and approves it."""

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from gateway.web.interface.act_documents import FigureState, Tie
from gateway.web.interface.documents import Time

__all__ = ["SiteFileAnswer", "SiteFileCheck", "SiteFilePage", "SiteFileProposal", "SiteFileVersion", "SiteTableCheck"]


class SiteFileInForce(TypedDict):
    """What the gateway goes by."""

    text: str
    sha256: str
    size: int
    since: Time
    by: str
    """Whose change it is; empty where it was put there on the machine."""
    approved_by: str
    why: str


class SiteFileOnDisk(TypedDict):
    """What lies there now."""

    text: str | None
    """None where it cannot be read."""
    sha256: str
    differs: bool
    """From what the gateway goes by."""
    trouble: str


class SiteFileBeside(TypedDict):
    """Another file that it names."""

    name: str
    sha256: str
    """As it was when the gateway read it."""
    size: int
    differs: bool
    """What lies there now is another, or cannot be read."""


class SiteFileNewTable(TypedDict):
    name: str
    sha256: str
    size: int


class SiteFileWaiting(TypedDict):
    """What somebody has proposed, or what has become of it."""

    number: int
    state: Literal["waits", "done", "declined"]
    sha256: str
    by: str
    why: str
    at: Time
    ends: Time
    changes: list[str]
    tables: list[SiteFileNewTable]
    version: int
    """Of a roll-back, the version that it goes back to; else 0."""
    said: str
    """What stood in its way when it was approved last, or why it was declined."""
    fits: bool
    """Whether the file on the disk is still the one on which it was written."""


class SiteFileKept(TypedDict):
    """As it was until it was replaced."""

    number: int
    sha256: str
    size: int
    kept_at: Time
    replaced_by: str
    why: str


class SiteFilePage(TypedDict):
    schema: Literal["tank-gateway/page-site-file/1"]
    time: Time
    simulated: bool
    path: str
    in_force: SiteFileInForce
    on_disk: SiteFileOnDisk
    beside: list[SiteFileBeside]
    may_write: bool
    trouble: str
    """Why it cannot be replaced from here; empty where it can."""
    hint: str
    """What would let it."""
    proposals: list[SiteFileWaiting]
    """Newest first, those that wait and those decided on."""
    versions: list[SiteFileKept]
    """Newest first."""
    is_settled: bool
    """Whether all is known and kept of the last change; until then no other is made."""
    cautions: list[str]


class SiteFileMistake(TypedDict):
    text: str
    line: int | None
    """In the text that was sent; None where it is of another file."""


class FigureTold(TypedDict):
    name: str
    before: FigureState
    after: FigureState
    difference: float | None
    """In the unit of both; None where there are not two values."""


class TankTold(TypedDict):
    """A tank of which something would be another."""

    tank: str
    state: Literal["compared", "added", "removed", "unknown"]
    note: str
    figures: list[FigureTold]


class SiteFileCheck(TypedDict):
    """What would follow. Nothing was done."""

    schema: Literal["tank-gateway/page-site-check/1"]
    time: Time
    simulated: bool
    well: bool
    sha256: str
    mistakes: list[SiteFileMistake]
    warnings: list[str]
    remarks: list[str]
    changes: list[str]
    """What a reload would say."""
    tanks: list[TankTold]
    unchanged: int
    """Tanks of which nothing would be another."""
    cautions: list[str]


class TableDifference(TypedDict):
    level: float
    """m"""
    before: float | None
    """m3; None where there is no volume at that level."""
    after: float | None


class ProposedForTank(TypedDict):
    """What a tank would hold by a new table, beside what it goes by now."""

    tank: str
    before: str
    """What it goes by now; empty: it is new."""
    volumes: list[TableDifference]
    """At ten levels."""
    largest: TableDifference | None
    """Of the rows of the new table within both, the one that is furthest apart."""


class ProposedTable(TypedDict):
    name: str
    words: str
    """Name, date, rows, range; of one that cannot be read, its mistakes."""
    rows: list[list[float]]
    """Level in m and volume in m3, heel included."""
    tanks: list[ProposedForTank]


class SiteFileProposal(TypedDict):
    """What somebody proposes, whole: for whoever is to approve it."""

    schema: Literal["tank-gateway/page-site-proposal/1"]
    proposal: SiteFileWaiting
    text: str
    tables: dict[str, str]
    check: SiteFileCheck
    new_tables: list[ProposedTable]
    """What is in the tables, and what tanks would hold by them."""
    in_the_way: str
    """Why whoever asks may not approve it, as the one who proposed it and he do not count as two; empty: they do."""
    ties: list[Tie]
    """What is to be known of the two."""


class SiteFileVersion(TypedDict):
    schema: Literal["tank-gateway/page-site-version/1"]
    version: SiteFileKept
    text: str


class SiteTableCheck(TypedDict):
    schema: Literal["tank-gateway/page-table-check/1"]
    time: Time
    well: bool
    words: str
    """The table in a few words: name, date, rows, range."""
    mistakes: list[SiteFileMistake]
    warnings: list[str]
    remarks: list[str]
    before: str
    """What the tank goes by now."""
    volumes: list[TableDifference]
    largest: TableDifference | None
    """Of the rows of the new table within both, the one that is furthest apart."""
    cautions: list[str]


class SiteFileAnswer(TypedDict):
    """What has been done."""

    code: Literal[0, 1, 2]
    lines: list[str]
    hint: str
    notes: NotRequired[list[str]]
    proposal: NotRequired[int]
    """Its number."""
