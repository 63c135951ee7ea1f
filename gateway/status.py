"""How the gateway itself is doing: instruments, lines, deliveries, and the whole at one instant."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

from gateway.tank_record import TankRecord
from gateway.tank_state import AlarmNow

__all__ = [
    "AccessStatus",
    "AccountsStatus",
    "Backlog",
    "ConnectedClient",
    "DestinationStatus",
    "EnteredStatus",
    "GatewaySnapshot",
    "Histogram",
    "InstrumentStatus",
    "LastBoot",
    "LedgerStatus",
    "LineStatus",
    "OpenTransfer",
    "Trouble",
]


class Histogram(NamedTuple):
    """Counts of durations. `counts[i]` are those at or below `bounds_s[i]`; the last bound is infinity; cumulative."""

    bounds_s: tuple[float, ...]
    counts: tuple[int, ...]
    sum_s: float


class InstrumentStatus(NamedTuple):
    """How one instrument has answered since its line was begun."""

    instrument: str
    line: str
    up: bool
    """Whether its last poll was answered in full."""
    requests: int
    errors: Mapping[str, int]
    """By reason code."""
    last_answer_ns: int | None
    """UTC."""
    response_time: Histogram
    timeout_s: float | None = None
    """How long an answer is waited for at present, as learned."""
    duplicate_address_suspicions: int = 0
    """How often it began to seem that two devices have its address."""


class LineStatus(NamedTuple):
    """How one line has done since it was begun."""

    line: str
    connected: bool
    busy_s: float
    """Seconds spent waiting for answers; over elapsed time this is the occupancy."""
    lateness: Histogram
    """How long after its due time each poll was begun."""
    late_answers: int = 0
    """Answers that came after their request had timed out; never taken for another's."""
    unsolicited_frames: int = 0
    """Frames that answered no request."""
    path: str = ""
    """The way to the instruments that is in use: host:port or a serial port. With a standby there are two."""
    on_standby: bool = False
    """Whether that is the second way."""
    connections_wanted: int = 1
    connections_open: int = 0
    second_master_suspicions: int = 0
    """How often it began to seem that another master is on the line."""
    second_answers: int = 0
    """Frames that look like another answer to a request that was answered already."""
    shifts: int = 0
    """How often answers began to stay behind their requests, so that none of them was taken."""
    since_ns: int | None = None
    """UTC, from when on it counts, its instruments with it: a reload that changes a line begins it anew. None where
    that is not told."""
    second_master_suspected: bool = False
    """Whether it seems now that another master is on the line, so that no value of it is certain."""
    functions_sent: Mapping[int, int] = MappingProxyType({})
    """Requests that were sent, by their Modbus function code."""


class Trouble(NamedTuple):
    """Something that a person must set right at a destination."""

    code: str
    """`client_id_shared`, `other_gateway`, `host_offline` (nothing is told while a Sparkplug host is away),
    `not_written`, `records_refused`, `destination_failed`, `destination_refuses` (somebody has to set something right
    there) or `destination_unusable` (here)."""
    text: str
    """One sentence."""


class LastBoot(NamedTuple):
    """The start of this site's gateway before the present one, as a destination still had it."""

    boot: str
    state: str
    """What it last said of itself, or its last will for it: `online` or `offline`."""
    cause: str | None
    """Why it is offline."""
    time: str
    """Of that statement, as it was told; a last will is dated by its connect."""
    waiting: int | None
    """Records it had not delivered when it ended; None where it did not say, so that nobody knows."""


class Backlog(NamedTuple):
    """What of history one destination has not got yet."""

    waiting: int
    """Entries that are kept and not known to have arrived."""
    oldest_s: float | None
    """Since the oldest of them was kept; None where none waits."""
    delivered: int
    """Entries since the start."""
    lost: int
    """Entries since the start that will never arrive: the disk forced them out, or they were refused for good."""
    buffer_left_s: float | None = None
    """For how long the ledger can go on keeping for it, at the rate of now; None: not known."""


class LedgerStatus(NamedTuple):
    """How the ledger does."""

    file: str
    committed: int
    """Records and events since the start."""
    waiting: int
    """Taken in and not yet committed."""
    lost: int
    """Since the start: the disk did not take them in."""
    commit_time: Histogram
    size_bytes: int
    entries: int
    """In the file."""
    oldest_ns: int | None
    """UTC, of the oldest entry in the file."""
    trouble: Trouble | None = None


class ConnectedClient(NamedTuple):
    """One who reads at a destination that serves, and is connected now."""

    address: str
    """Host and port it came from."""
    since: datetime
    """UTC, when the connection was begun."""
    name: str | None = None
    """What it calls itself, or signed in as; None where its protocol tells none."""
    refused: str = ""
    """What was refused to it on this connection, for people; empty where nothing was."""


class DestinationStatus(NamedTuple):
    """How one delivery has done since the start."""

    destination: str
    connected: bool
    delivered: int
    """Live records; so are those that are waiting."""
    lost: int
    """Live records that were never delivered, where there is no history: an outage loses what it supersedes."""
    waiting: int
    oldest_waiting_s: float | None
    troubles: tuple[Trouble, ...] = ()
    history: Backlog | None = None
    """None: it takes none, or none is kept. What is lost of history is counted there."""
    dropped: int = 0
    """Live records that were never delivered, where there is history: a newer one took their place, or they were
    refused. Nobody who wants all reads live records, so that they are not lost."""
    clients: tuple[ConnectedClient, ...] = ()
    """Who reads there now, of one that serves, or whose protocol tells who is at the other end of a server."""


class EnteredStatus(NamedTuple):
    """What a person has entered while the gateway ran, and what is made of it."""

    about: str
    """The tag of a tank, or of an instrument in maintenance."""
    quantity: str
    is_used: bool
    text: str
    """For people: the value, who entered it, until when it holds, and what the site file says of the same."""
    value: str = ""
    """As it was typed; empty of an instrument in maintenance, and of a product."""
    by: str = ""
    ends: datetime | None = None
    """UTC; None: by nobody's word, or it does not end."""
    stands_in: bool = False
    """Whether it counts only while its instrument has no value."""


class OpenTransfer(NamedTuple):
    """A transfer that is not over."""

    number: int
    kind: str
    phase: str
    tanks: tuple[str, ...]
    since: datetime
    """UTC, in this phase."""
    waits_for: str
    """While it settles: why it cannot be closed yet; empty where only time is wanted."""


class AccountsStatus(NamedTuple):
    """How the accounts do."""

    open: Sequence[OpenTransfer] = ()
    transfers: int = 0
    """The last number given; so are those of tickets and amounts."""
    tickets: int = 0
    amounts: int = 0
    day: str | None = None
    """The last day that was closed."""
    revision: int = 0
    closes: int = 0
    """Revisions of days since the start."""
    unsettled_s: float | None = None
    """How long the transfer has been settling that does so longest; None: none does."""
    faults: int = 0
    """Mistakes of the program that cost a look at a sheet."""
    trouble: str = ""


class AccessStatus(NamedTuple):
    """How those who come over HTTP are let in."""

    sessions: int
    """That are open."""
    refused: int
    """Since the start: names and passwords, or codes, that were wrong."""
    certificate_until_s: float | None = None
    """UTC, seconds since 1970, when the certificate in use ends; None without TLS."""


class GatewaySnapshot(NamedTuple):
    """The present state of the whole gateway, for metrics and pages. Taken by the daemon; never changed."""

    site: str
    boot: str
    version: str
    simulated: bool
    started_ns: int
    instant: datetime
    inventories: Sequence[TankRecord]
    lines: Sequence[LineStatus]
    instruments: Sequence[InstrumentStatus]
    destinations: Sequence[DestinationStatus]
    calculation_errors: int
    tanks: Sequence[str] = ()
    """All of the site, those that have no inventory yet among them."""
    time_zone: str = "UTC"
    """Of the site, a key of the IANA data base."""
    log_lines_dropped: int = 0
    """Since the start: nobody read the log, or it could not be written."""
    time_factor: float = 1.0
    """Of a simulated site: how many times as fast as the machine's its time passes."""
    ledger: LedgerStatus | None = None
    """None: no history is kept."""
    site_file_refused: bool = False
    """Whether the site file was wrong when it was last read again: what is watched is an older one."""
    alarms: Sequence[AlarmNow] = ()
    """Of every tank and of the gateway itself, normal or not."""
    entered: Sequence[EnteredStatus] = ()
    alarms_before: Sequence[tuple[str, str]] = ()
    """Tank and name of each alarm that the process before this one remembered: some may be no more."""
    accounts: AccountsStatus | None = None
    """None: none are kept."""
    access: AccessStatus | None = None
    """None: nobody comes over HTTP."""

    @property
    def awaited(self) -> list[str]:
        """Tanks that have no inventory yet."""
        known = {record.inventory.tank for record in self.inventories}
        return [tank for tank in self.tanks if tank not in known]
