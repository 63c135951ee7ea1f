"""One connection in use: what is said over it, what of that is not answered yet, and whether it still answers."""

from gateway.delivery.mqtt_wire.connection import Connection
from gateway.delivery.mqtt_wire.words import ConnectionEndedError
from gateway.delivery.plan import MqttPlan
from gateway.errors import DeliveryError

__all__ = ["Conversation"]


class Conversation:
    """Times are monotonic seconds."""

    def __init__(self, connection: Connection, plan: MqttPlan) -> None:
        self.connection = connection
        self._plan = plan
        self._sent_s: dict[int, float] = {}
        """When each message in flight was sent, oldest first."""

    @property
    def window(self) -> int:
        """Messages that may be in flight at once."""
        return min(self._plan.window, self.connection.receive_maximum)

    @property
    def in_flight(self) -> int:
        return len(self._sent_s)

    @property
    def has_room(self) -> bool:
        return len(self._sent_s) < self.window

    @property
    def overdue_s(self) -> float:
        """When the oldest message has waited too long for its answer."""
        return next(iter(self._sent_s.values()), float("inf")) + self._plan.timeout_s

    def check(self, now_s: float) -> None:
        """Raises DeliveryError when the connection has ended, or is as good as ended."""
        if self.connection.ended is not None:
            raise ConnectionEndedError(self.connection.ended)
        if now_s >= self.overdue_s:
            raise DeliveryError(f"no acknowledgement within {self._plan.timeout_s:g} s")

    def say(
        self,
        topic: str,
        payload: bytes,
        now_s: float,
        *,
        schema: str,
        boot: str,
        sequence: int | None = None,
        retain: bool = True,
        expiry_s: int | None = None,
    ) -> int:
        """Send a message and give its number; MQTT 5 tells beside it what it is, for readers that route without looking
        into it. Raises what `Connection.send` raises."""
        told = [("schema", schema), ("boot", boot)]
        if sequence is not None:
            told.append(("sequence", str(sequence)))
        number = self.connection.send(topic, payload, retain=retain, told=told, expiry_s=expiry_s)
        self._sent_s[number] = now_s
        return number

    def answered(self, number: int) -> None:
        self._sent_s.pop(number, None)
