"""Pure: what a connection to an MQTT server is told and tells: last will, how it ended, why a message is refused."""

from enum import Enum, auto
from typing import NamedTuple, Protocol

from gateway.errors import DeliveryError

__all__ = ["ConnectionEndedError", "Ended", "EndedBy", "Heard", "Refusal", "TooLargeError", "Will", "Wire"]

_PACKET_TOO_LARGE = 0x95


class Wire(Protocol):
    """The part of a plan that says where a server is and how it is spoken to."""

    @property
    def host(self) -> str: ...

    @property
    def port(self) -> int: ...

    @property
    def protocol(self) -> str:
        """`3.1.1` or `5`."""
        ...

    @property
    def user_name(self) -> str | None: ...

    @property
    def keepalive_s(self) -> int: ...

    @property
    def timeout_s(self) -> float: ...


class EndedBy(Enum):
    """What ended a connection, as far as can be told."""

    SERVER = auto()
    """It closed the connection without a word, which is all that MQTT 3.1.1 knows."""
    TAKEOVER = auto()
    """The server says that another client came with our client identifier."""
    SILENCE = auto()
    """It did not answer, not even a ping."""
    OTHER = auto()


class Ended(NamedTuple):
    """How a connection that stood has ended."""

    reason: str
    by: EndedBy = EndedBy.OTHER


class ConnectionEndedError(DeliveryError):
    """A connection that stood has ended. A new one may stand."""

    def __init__(self, ended: Ended) -> None:
        super().__init__(ended.reason)
        self.by = ended.by


class Refusal(NamedTuple):
    """Why a server does not take a message: a reason code of MQTT 5, section 3.4.2.1, and what it is called."""

    code: int
    text: str


class TooLargeError(DeliveryError):
    """The server has said that it takes no message as large as this one. Nothing was sent."""

    def __init__(self, size: int, largest: int) -> None:
        self.refusal = Refusal(_PACKET_TOO_LARGE, f"{size:,} bytes, and the server takes {largest:,} at most")
        super().__init__(self.refusal.text)


class Will(NamedTuple):
    """What the server publishes, by QoS 1, when the connection ends without a DISCONNECT."""

    topic: str
    payload: bytes
    retain: bool = True


class Heard(NamedTuple):
    """A message that came."""

    topic: str
    payload: bytes
    retained: bool
