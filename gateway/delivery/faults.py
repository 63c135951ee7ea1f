"""What can be wrong with a peer, and who can help: nobody but time, a person, or nobody for one entry."""

from enum import Enum

from gateway.errors import DeliveryError

__all__ = ["DeliveryFault", "FaultKind"]


class FaultKind(Enum):
    PASSING = "passing"
    """It may be over at the next attempt."""
    PERSON = "person"
    """Somebody has to set something right there."""
    ENTRY = "entry"
    """An entry is refused for what is in it: at the next attempt it is again."""


class DeliveryFault(DeliveryError):  # noqa: N818 (an error of the peer, not always one of ours)
    """The peer did not do what it was asked."""

    def __init__(self, kind: FaultKind, text: str) -> None:
        self.kind = kind
        super().__init__(text)
