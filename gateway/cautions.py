"""Pure: the cautions of the trade, once, and which of them belongs to what somebody is about to do."""

from collections.abc import Mapping

__all__ = ["ACTIONS", "AREA", "METHODS", "MONITORING", "NOT_FOR_CUSTODY", "TABLES", "VALVE", "cautions_for"]

MONITORING = (
    "Monitoring only. Not an overfill prevention system (API 2350) or safety instrumented system (IEC 61511). "
    "Independent protection must exist; failure of this tool must not matter to safety."
)
NOT_FOR_CUSTODY = "Not for custody transfer, fiscal, excise or legal-metrology use; not type-approved (OIML R 71/R 85)."
METHODS = "Quantities follow the methods named; not certified by API/ISO. Demo coefficients are not standards' tables."
AREA = (
    "Phones and computers: safe area only unless certified (IEC 60079). Do not open enclosures, fit barriers or dip "
    "without permit; static and H2S precautions; local codes and licensed practice first."
)
TABLES = (
    "Tank calibration (ISO 7507 / API MPMS 2) and alarm limits belong to competent, where required licensed, people."
)
VALVE = "A screen value never authorises opening a valve: follow site procedure."

_HIDES = (MONITORING,)
_AT_THE_TANK = (AREA,)
_FLOWS = (VALVE, MONITORING)
_BOOKED = (NOT_FOR_CUSTODY,)
ACTIONS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(("dip", "temperature", "density", "sediment-water"), _AT_THE_TANK),
    **dict.fromkeys(("maintenance", "end-maintenance"), _AT_THE_TANK),
    **dict.fromkeys(("acknowledge", "shelve", "unshelve", "out-of-service", "in-service"), _HIDES),
    **dict.fromkeys(("plan-transfer", "start-transfer", "resume-transfer"), _FLOWS),
    "confirm-transfer": (*_FLOWS, *_BOOKED),
    **dict.fromkeys(("change-transfer", "pause-transfer", "cancel-transfer"), _BOOKED),
    **dict.fromkeys(("finish-transfer", "close-transfer", "reverse-ticket"), _BOOKED),
    **dict.fromkeys(("amount", "import-amounts", "reverse-amount", "close-day"), _BOOKED),
    "product-change": (METHODS, NOT_FOR_CUSTODY),
    "withdraw": (MONITORING,),
}
"""By the word of an action, what is said where it is asked for."""


def cautions_for(action: str) -> tuple[str, ...]:
    return ACTIONS.get(action, ())
