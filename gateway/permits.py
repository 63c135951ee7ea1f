"""Pure: which role may ask for which action. Practice: who stands at the tank acts on it, who signs the stock changes
what the stock is worked out with, and nobody has to be an administrator for the work of a day.
"""

from collections.abc import Mapping

from gateway.person import Role

__all__ = ["LIST", "PERMITS", "READ_CHANGES", "READ_PEOPLE", "SITE_FILE", "may", "words_for"]

LIST = "list"
"""What is in force: no action of its own, and asked for in the same way."""
READ_CHANGES = "read-changes"
"""The audit trail."""
READ_PEOPLE = "read-people"
SITE_FILE = "site-file"
"""To read it whole, to propose another, and to approve what somebody else has proposed."""

_ALL = frozenset(Role)
_ABOVE_VIEWER = _ALL - {Role.VIEWER}
_SHIFT = frozenset({Role.OPERATOR, Role.TECHNICIAN, Role.ADMINISTRATOR})
_TECHNICAL = frozenset({Role.TECHNICIAN, Role.ADMINISTRATOR})
_OFFICE = frozenset({Role.ACCOUNTANT, Role.ADMINISTRATOR})
_SHIFT_AND_OFFICE = _SHIFT | _OFFICE
_ADMINISTRATION = frozenset({Role.ADMINISTRATOR})

PERMITS: Mapping[str, frozenset[Role]] = {
    LIST: _ALL,
    # Of a shift: what is seen and measured at the tank, and alarms.
    "dip": _SHIFT,
    "temperature": _SHIFT,
    "acknowledge": _SHIFT,
    "shelve": _SHIFT,
    "unshelve": _SHIFT,
    # Of the technician: what makes an instrument or an alarm say less for a while.
    "maintenance": _TECHNICAL,
    "end-maintenance": _TECHNICAL,
    "out-of-service": _TECHNICAL,
    "in-service": _TECHNICAL,
    # Of the office: samples of the laboratory, and what is in the tank.
    "density": _OFFICE,
    "sediment-water": _OFFICE,
    "product-change": _OFFICE,
    # Who may enter something may take it back: `may_ask` looks at what.
    "withdraw": _SHIFT_AND_OFFICE,
    # Who may ask for something may approve it: `meant` of the door tells what a decision is about.
    "approve": _SHIFT_AND_OFFICE,
    "decline": _SHIFT_AND_OFFICE,
    # Transfers: the shift runs them; the office announces them, names their partner and says what a movement was.
    "plan-transfer": _SHIFT_AND_OFFICE,
    "confirm-transfer": _SHIFT_AND_OFFICE,
    "change-transfer": _SHIFT_AND_OFFICE,
    "cancel-transfer": _SHIFT_AND_OFFICE,
    "start-transfer": _SHIFT,
    "pause-transfer": _SHIFT,
    "resume-transfer": _SHIFT,
    "finish-transfer": _SHIFT,
    "close-transfer": _SHIFT,
    # The account.
    "reverse-ticket": _OFFICE,
    "amount": _OFFICE,
    "import-amounts": _OFFICE,
    "reverse-amount": _OFFICE,
    "close-day": _OFFICE,
    # What is read and needs more than to be let in.
    READ_CHANGES: _ABOVE_VIEWER,
    READ_PEOPLE: _ADMINISTRATION,
    SITE_FILE: _ADMINISTRATION,
}
"""By the word of an action, of `requests.ACTIONS` and `account_requests.ACCOUNT_ACTIONS`, and of what is asked for in
another way."""


def may(role: Role, action: str) -> bool:
    """Whether `role` may ask for it; False for a word that is not known."""
    return role in PERMITS.get(action, ())


def words_for(role: Role) -> tuple[str, ...]:
    """What `role` may ask for."""
    return tuple(word for word, roles in PERMITS.items() if role in roles)
