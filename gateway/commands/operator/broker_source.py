"""What lies on a site's broker, as `show` needs it: the messages, and whether anybody still keeps them up to date."""

import asyncio
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple

from gateway.delivery.mqtt.reader import Lying, what_lies_there
from gateway.delivery.plan import MqttPlan
from gateway.errors import DeliveryError, GatewayError, UsageError
from gateway.sentences import duration_words
from gateway.settings.site import SiteSettings

__all__ = ["OnBroker", "on_broker"]


class OnBroker(NamedTuple):
    """The site's messages, in the order of its file, with what is there beside them behind."""

    place: str
    inventories: tuple[Mapping[str, Any], ...]
    missing: tuple[str, ...]
    """Tanks of the site file of which nothing lies there."""
    status: Mapping[str, Any] | None
    heartbeat: Mapping[str, Any] | None

    @property
    def gone(self) -> str:
        """Why nobody keeps the tanks up to date, where the gateway's status says so."""
        if self.status is None or self.status["state"] == "online":
            return ""
        if self.status["cause"] == "stopped":
            return "its gateway was stopped"
        return "its gateway lost the connection to the broker and is not back"

    def gateway_words(self, now: datetime) -> str:
        """One line: whether the gateway is there, by what it said last."""
        signs = [told for told in (self.status, self.heartbeat) if told is not None and told is not self._will]
        last = max((datetime.fromisoformat(told["time"]) for told in signs), default=None)
        heard = "no sign of life"
        if last is not None:
            ago = duration_words(max(0.0, (now - last).total_seconds()))
            heard = f"last sign of life {last.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC, {ago} ago"
        if self.status is None:
            return f"Gateway: nothing is known of it, {heard}"
        if self.gone:
            return f"Gateway: OFFLINE, {self.gone.removeprefix('its gateway ')}; {heard}"
        until = max((told["valid_until"] or "" for told in signs), default="")
        if not until or now > datetime.fromisoformat(until):
            return f"Gateway: NOT HEARD OF, though the broker has not noticed; {heard}"
        return f"Gateway: online, {heard}"

    @property
    def _will(self) -> Mapping[str, Any] | None:
        """The status where it is a last will: that is of the connect."""
        lost = self.status is not None and self.status["cause"] == "connection_lost"
        return self.status if lost else None


def on_broker(settings: SiteSettings) -> OnBroker:
    """Ask the brokers of a site file, the next where one does not answer or knows nothing of the site.

    Raises UsageError where it names none, GatewayError where none of them tells anything.
    """
    if not settings.brokers:
        raise UsageError(f"site '{settings.name}' has no broker", "`delivery: {mqtt: {address: HOST:PORT}}` names one")
    failures = []
    for plan in settings.brokers:
        try:
            return _on(plan, settings)
        except GatewayError as failure:
            failures.append(failure)
    if len(failures) == 1:
        raise failures[0]
    none = GatewayError("; ".join(map(str, failures)))
    none.hint = failures[0].hint
    raise none


def _on(plan: MqttPlan, settings: SiteSettings) -> OnBroker:
    tanks = [setup.plan.tank for setup in settings.tanks]
    place = f"mqtt://{plan.host}:{plan.port}"
    try:
        lying = asyncio.run(what_lies_there(plan, settings.name, tanks))
    except DeliveryError as error:
        failure = GatewayError(f"nothing can be asked of the broker at {plan.host}:{plan.port}: {error}")
        failure.hint = "does it run there, and may this user read the site's topics?"
        raise failure from error
    if not lying.inventories:
        failure = GatewayError(f"the broker at {plan.host}:{plan.port} has nothing of a tank of site '{settings.name}'")
        failure.hint = f"topics {plan.prefix}/{settings.name}/+/inventory; has a gateway ever delivered there?"
        raise failure
    return _ordered(place, lying, tanks)


def _ordered(place: str, lying: Lying, tanks: list[str]) -> OnBroker:
    found = lying.inventories
    names = [tank for tank in tanks if tank in found] + sorted(found.keys() - set(tanks))
    missing = tuple(tank for tank in tanks if tank not in found)
    return OnBroker(place, tuple(found[name] for name in names), missing, lying.status, lying.heartbeat)
