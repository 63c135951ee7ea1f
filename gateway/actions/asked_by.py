"""Pure: whether a role may ask for a request as it stands, with its fields."""

from collections.abc import Mapping
from typing import Any

from gateway.actions.entry import OF_PRODUCT, PRODUCT
from gateway.permits import may
from gateway.person import Role

__all__ = ["may_ask"]

_ENTERED_BY = {
    **dict.fromkeys(("level", "water"), "dip"),
    "temperature": "temperature",
    **{quantity: quantity.replace("_", "-") for quantity in OF_PRODUCT},
    PRODUCT: "product-change",
}
"""By quantity: the action that enters it."""


def may_ask(role: Role, request: Mapping[str, Any]) -> bool:
    """The same of a request with its fields, as the door takes it: who takes a value back may also enter one."""
    action = str(request.get("action", ""))
    if not may(role, action):
        return False
    if action != "withdraw":
        return True
    entered_by = _ENTERED_BY.get(str(request.get("quantity", "")).strip())
    # A quantity that is not known is for the door to refuse, with what would be right.
    return entered_by is None or may(role, entered_by)
