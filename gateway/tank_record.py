"""Pure: what leaves the pipeline, one record per tank and instant, with all that its sheet was made from."""

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

from gateway.plain_form import PlainForm, PlainFormError
from gateway.records import Inventory, LastGood, Reason, ReasonCode, TankInput
from gateway.states import LimitState, RoofZone
from gateway.tank_state import AlarmStanding, TankState

__all__ = [
    "RECORD_SCHEMA",
    "Event",
    "EventKind",
    "Identity",
    "Remembered",
    "TankRecord",
    "TankState",
    "plain_record",
    "record_from",
]

RECORD_SCHEMA = "tank-gateway/record/3"
"""Another number for another shape of `TankRecord`: a test holds the two together."""
_READ = (RECORD_SCHEMA, "tank-gateway/record/2", "tank-gateway/record/1")
"""2 is 3 without the accounts, 1 is 2 without state and events."""


class Remembered(NamedTuple):
    """What a sheet rests on of those before it: with this, its input and its plan it can be made again.

    Judgements on readings against time stand as they were found: the readings before are not needed.
    """

    wet: tuple[bool, ...] = ()
    """Of the temperature elements, lowest first: which counted as submerged."""
    in_water: tuple[bool, ...] = ()
    last_good: Mapping[str, LastGood] = MappingProxyType({})
    """By figure name: of those that were not Good in this sheet, and of those that can stand in for a measurement."""
    limit: LimitState = LimitState.UNKNOWN
    roof: RoofZone | None = None
    pressure_doubts: frozenset[ReasonCode] = frozenset()
    """What was wrong with the vapour pressure, with method and density, and with a column's pressure: each is left at
    another border than it is entered at."""
    method_doubts: frozenset[ReasonCode] = frozenset()
    low_heads: tuple[bool, ...] = ()
    judgements: Mapping[str, Reason] = MappingProxyType({})
    """By what is doubted: why."""


class EventKind(StrEnum):
    """What can happen, as codes."""

    GATEWAY_STARTED = "gateway_started"
    GATEWAY_STOPPED = "gateway_stopped"
    GATEWAY_BROKE_OFF = "gateway_broke_off"
    """A start found that the process before had ended without a word: what was read in its last moments is lost."""
    HISTORY_LOST = "history_lost"
    """Records that the disk did not take in."""
    # alarms: the subject is the alarm's name
    ALARM_RAISED = "alarm_raised"
    ALARM_ACKNOWLEDGED = "alarm_acknowledged"
    ALARM_RETURNED = "alarm_returned"
    """What raised it is over."""
    ALARM_SHELVED = "alarm_shelved"
    ALARM_UNSHELVED = "alarm_unshelved"
    ALARM_SUPPRESSED = "alarm_suppressed"
    ALARM_UNSUPPRESSED = "alarm_unsuppressed"
    ALARM_OUT_OF_SERVICE = "alarm_out_of_service"
    ALARM_IN_SERVICE = "alarm_in_service"
    ALARM_ESCALATED = "alarm_escalated"
    """Nobody has acknowledged it in its time."""
    ALARM_FLOOD_BEGAN = "alarm_flood_began"
    ALARM_FLOOD_ENDED = "alarm_flood_ended"
    # movement
    MOVEMENT_BEGAN = "movement_began"
    MOVEMENT_ENDED = "movement_ended"
    # what people do: the subject is the entry or the instrument
    VALUE_ENTERED = "value_entered"
    VALUE_WITHDRAWN = "value_withdrawn"
    VALUE_EXPIRED = "value_expired"
    MAINTENANCE_BEGAN = "maintenance_began"
    MAINTENANCE_ENDED = "maintenance_ended"
    PRODUCT_CHANGED = "product_changed"
    """The subject is the product that the tank holds from then on."""
    # accounts: the subject is the key of the paper, which the event carries
    TRANSFER_PROPOSED = "transfer_proposed"
    TRANSFER_PLANNED = "transfer_planned"
    TRANSFER_STARTED = "transfer_started"
    TRANSFER_PAUSED = "transfer_paused"
    TRANSFER_RESUMED = "transfer_resumed"
    TRANSFER_SETTLING = "transfer_settling"
    TRANSFER_CHANGED = "transfer_changed"
    """Something else is said of it, or it has got a mark: a gap, a doubt."""
    TRANSFER_CLOSED = "transfer_closed"
    TRANSFER_CANCELLED = "transfer_cancelled"
    TICKET_MADE = "ticket_made"
    TICKET_REVERSED = "ticket_reversed"
    """By another ticket, which the event carries."""
    AMOUNT_ENTERED = "amount_entered"
    AMOUNT_REVERSED = "amount_reversed"
    DAY_CLOSED = "day_closed"
    """For the first time, or by another revision."""


class Event(NamedTuple):
    """Something that happened, to a tank or to the gateway itself."""

    kind: EventKind
    instant: datetime
    """UTC."""
    subject: str = ""
    """Which alarm, instrument or entry it is about."""
    reason: Reason | None = None
    """What people are told of it."""
    by: str | None = None
    """Who did it, where a person did."""
    standing: AlarmStanding | None = None
    """Of an alarm: how it stands after this."""
    document: str = ""
    """Of the accounts: the paper that it is about, whole, as JSON; empty: it is about none."""


class Identity(NamedTuple):
    """By what a consumer knows a record, and drops a repeat."""

    site: str
    tank: str
    boot: str
    """128 random bits in hexadecimal, new at each start of the process."""
    sequence: int
    """Counts per tank from 1."""


class TankRecord(NamedTuple):
    """All that leaves the pipeline of one tank at one instant: the sheet, and all that it was made from."""

    identity: Identity
    tank_input: TankInput
    inventory: Inventory
    state: TankState | None = None
    events: tuple[Event, ...] = ()
    remembered: Remembered = Remembered()
    plan: str = ""
    """`plan_id.PlanIds.plan` of what the sheet was made by."""
    valid_for_s: float | None = None
    """From its instant on; by then the next is overdue. None: not known."""
    basis: str = ""
    """`plan_id.PlanIds.moves`: of the plan only what amounts of two sheets have to share to be subtracted."""


_FORM = PlainForm(TankRecord)


def plain_record(record: TankRecord) -> dict[str, Any]:
    """A record as plain values, whole: `record_from` makes the same of them, digit by digit."""
    return {"schema": RECORD_SCHEMA, **_FORM.to_plain(record)}


def record_from(plain: Any) -> TankRecord:
    """What `plain_record` wrote, also that of the version before. Raises PlainFormError for anything else."""
    if not isinstance(plain, dict) or plain.get("schema") not in _READ:
        raise PlainFormError("schema", f"'{RECORD_SCHEMA}'")
    return _FORM.from_plain({name: value for name, value in plain.items() if name != "schema"})
