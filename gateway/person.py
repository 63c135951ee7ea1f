"""Pure: who asks over HTTP."""

from enum import StrEnum
from typing import NamedTuple

__all__ = ["Person", "Role"]


class Role(StrEnum):
    """What somebody is at the site. What each may do stands in `gateway/permits.py`."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    TECHNICIAN = "technician"
    ACCOUNTANT = "accountant"
    ADMINISTRATOR = "administrator"


class Person(NamedTuple):
    """Somebody who has signed in."""

    name: str
    role: Role

    @property
    def signature(self) -> str:
        """How entries and the audit trail name somebody of the page: no user of this machine is called so.

        Whoever comes by a provider has its name in his own, as `anna@works`; nobody of here has an @ in it.
        """
        return self.name if "@" in self.name else f"{self.name}@page"
