"""Says in the log and in the status who else is there, as `mqtt_others` makes it out."""

import hashlib
from typing import Any

from gateway.delivery.mqtt.others import ClientIdWatch, OtherBoots
from gateway.delivery.mqtt_wire.words import EndedBy
from gateway.delivery.plan import MqttPlan
from gateway.status import LastBoot, Trouble
from gateway.validity import valid_for_s

__all__ = ["Neighbours", "client_id_of"]


class Neighbours:
    """Of one destination. Times are monotonic seconds; `log` takes changes, not repetitions."""

    def __init__(self, plan: MqttPlan, boot: str, *, client_id: str, root: str, log: Any) -> None:
        """`root`: what our topics begin with, prefix and site."""
        self._status_period_s = plan.status_period_s
        self._id_is_ours_alone = plan.client_id is None
        self._client_id = client_id
        self._root = root
        self._log = log
        self._others = OtherBoots(boot, valid_for_s(plan.status_period_s))
        # The connections of two clients with one identifier last as long as the other waits before it connects again.
        self._id_watch = ClientIdWatch(2 * plan.backoff_longest_s)
        self._other_told: str | None = None
        self._unread_told = False

    @property
    def last_boot(self) -> LastBoot | None:
        return self._others.last

    @property
    def id_is_shared(self) -> bool:
        """Whether connections are lost because another client has our identifier."""
        return self._id_watch.sure is not None

    def other(self, now_s: float) -> str | None:
        """The boot of another gateway that is online on our topics, or None."""
        return self._others.online(now_s)

    def heard(self, payload: bytes, retained: bool, now_s: float) -> bool:
        """A message on our status topic. Whether our own status should be told again."""
        before = self._others.last
        again = self._others.heard(payload, retained, now_s)
        self._tell_other(now_s)
        last = self._others.last
        if last is not None and last != before:
            log = self._log.info if last.cause == "stopped" else self._log.warning
            log("delivery.mqtt_last_boot", **last._asdict())
        return again

    def subscribed(self, refusal: str | None) -> None:
        """The server has answered whether we may hear others at all."""
        if refusal is not None:
            self._tell_unread(refusal)

    def look_around(self, now_s: float, lasted_s: float) -> None:
        """Each time the status is told, on a connection that has lasted so long: what time alone has changed."""
        self._tell_other(now_s)
        if self._id_watch.lasts(lasted_s):
            self._log.info("delivery.mqtt_client_id_free", client_id=self._client_id)
        if not self._others.heard_ourselves and lasted_s >= self._status_period_s:
            self._tell_unread("what this gateway says there does not come back")

    def connection_ended(self, by: EndedBy, lasted_s: float | None) -> None:
        """A connection that lasted so long has ended, or was not made (None)."""
        if self._id_is_ours_alone and by is EndedBy.SERVER:
            # Made of our boot it is nobody else's: a server that ends such a connection has another reason.
            by = EndedBy.OTHER
        if self._id_watch.ended(by, lasted_s):
            self._log.error("delivery.mqtt_client_id_shared", client_id=self._client_id, reason=self._words_of_id())

    def troubles(self, now_s: float) -> tuple[Trouble, ...]:
        troubles = []
        if self.id_is_shared:
            troubles.append(Trouble("client_id_shared", self._words_of_id()))
        if (other := self.other(now_s)) is not None:
            troubles.append(Trouble("other_gateway", self._words_of_other(other)))
        return tuple(troubles)

    def _tell_unread(self, reason: str) -> None:
        if not self._unread_told:
            self._unread_told = True
            hint = "let our user read it: else another gateway on these topics goes unnoticed"
            self._log.warning(
                "delivery.mqtt_topic_unread", topic=f"{self._root}/gateway/status", reason=reason, hint=hint
            )

    def _tell_other(self, now_s: float) -> None:
        other = self.other(now_s)
        if other is None and self._other_told is not None:
            self._log.info("delivery.mqtt_other_gateway_gone", other=self._other_told)
        elif other is not None and other != self._other_told:
            self._log.warning("delivery.mqtt_other_gateway", other=other, reason=self._words_of_other(other))
        self._other_told = other

    def _words_of_other(self, boot: str) -> str:
        return (
            f"another gateway, boot {boot}, is online on the topics {self._root}/...: each overwrites the numbers of "
            "the other. Stop one of them, or give them different sites or prefixes"
        )

    def _words_of_id(self) -> str:
        if self._id_watch.sure:
            seen = f"another client uses the client id {self._client_id}, says the server"
        else:
            seen = (
                f"the server ends each connection soon, as if another client used the client id {self._client_id} too"
            )
        return f"{seen}: each takes the connection from the other. Give each client an id of its own"


def client_id_of(plan: MqttPlan, boot: str) -> str:
    """The one that was given, or one begun like the boot; of a destination with a name such that no other of this boot
    has it, since two of them may lead to one server."""
    if plan.client_id:
        return plan.client_id
    number = boot
    if plan.given_name is not None:
        number = hashlib.blake2s(f"{boot} {plan.given_name}".encode()).hexdigest()
    # Letters and digits, at most 23 of them, is what every server must accept (MQTT 3.1.1 section 3.1.3.1).
    return f"tanks{number[:18]}"
