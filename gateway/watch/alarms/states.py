"""The states of an alarm and how it comes from one into another, as a plain table.

An alarm is active or not, and it waits for an acknowledgement or not: four states. Those of OPC 10000-9 (ActiveState
in 5.8.2, AckedState in 5.7.2) and of ISA-18.2 / IEC 62682 are the same:

| active | acknowledged | phase            |
|--------|--------------|------------------|
| no     | yes          | `normal`         |
| yes    | no           | `unacknowledged` |
| yes    | yes          | `acknowledged`   |
| no     | no           | `returned`       |

It may be hidden besides: shelved, suppressed by design, out of service, or more than one of them (OPC 10000-9, 5.8.2:
SuppressedOrShelved). It goes on behind that, and nobody is told. Once nothing hides it any more, one that is active is
raised anew; one that returned meanwhile is not, but what was unacknowledged before is so still.
"""

from collections.abc import Mapping
from enum import StrEnum

from gateway.tank_record import EventKind
from gateway.tank_state import AlarmPhase

__all__ = ["ACTIVE", "HIDDEN", "IN_SIGHT", "UNHEARD", "Change"]

_NORMAL, _UNHEARD, _HEARD, _RETURNED = (
    AlarmPhase.NORMAL,
    AlarmPhase.UNACKNOWLEDGED,
    AlarmPhase.ACKNOWLEDGED,
    AlarmPhase.RETURNED,
)

ACTIVE = frozenset({_UNHEARD, _HEARD})
UNHEARD = frozenset({_UNHEARD, _RETURNED})
"""Those that wait for somebody to acknowledge them."""


class Change(StrEnum):
    """What can happen to an alarm, beside being hidden."""

    ACTIVE = "active"
    """What raises it holds, for as long as its delay wants."""
    INACTIVE = "inactive"
    """It holds no more: behind the deadband, for as long as its delay wants."""
    ACKNOWLEDGED = "acknowledged"
    SHOWN = "shown"
    """Nothing hides it any more."""


Table = Mapping[tuple[AlarmPhase, Change], tuple[AlarmPhase, EventKind | None]]

IN_SIGHT: Table = {
    (_NORMAL, Change.ACTIVE): (_UNHEARD, EventKind.ALARM_RAISED),
    (_UNHEARD, Change.INACTIVE): (_RETURNED, EventKind.ALARM_RETURNED),
    (_UNHEARD, Change.ACKNOWLEDGED): (_HEARD, EventKind.ALARM_ACKNOWLEDGED),
    (_HEARD, Change.INACTIVE): (_NORMAL, EventKind.ALARM_RETURNED),
    (_RETURNED, Change.ACTIVE): (_UNHEARD, EventKind.ALARM_RAISED),
    (_RETURNED, Change.ACKNOWLEDGED): (_NORMAL, EventKind.ALARM_ACKNOWLEDGED),
    # Whatever hid it has just ended.
    (_UNHEARD, Change.SHOWN): (_UNHEARD, EventKind.ALARM_RAISED),
    (_HEARD, Change.SHOWN): (_UNHEARD, EventKind.ALARM_RAISED),
}
"""From phase and change to the next phase and what people are told. What is not here changes nothing."""

HIDDEN: Table = {
    (_NORMAL, Change.ACTIVE): (_HEARD, None),
    (_UNHEARD, Change.INACTIVE): (_RETURNED, None),
    (_HEARD, Change.INACTIVE): (_NORMAL, None),
    (_RETURNED, Change.ACTIVE): (_UNHEARD, None),
}
"""The same behind what hides it: nobody is told, so nobody owes an acknowledgement who did not before."""
