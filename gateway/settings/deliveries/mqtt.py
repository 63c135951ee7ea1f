"""MQTT servers: from the site file to their frozen plans."""

from collections.abc import Mapping

from gateway.delivery.plan import MqttPlan
from gateway.settings.deliveries.models import MqttModel
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.reading.document import KeyPath, Mistakes, dotted

__all__ = ["mqtt_plan", "mqtt_together"]

_LARGEST_WINDOW = 100
_LONGEST_KEEPALIVE_S = 65535


def mqtt_plan(model: MqttModel, path: KeyPath, reading: Reading) -> MqttPlan:
    """One broker."""
    _check(model, path, reading.mistakes)
    host, port = model.address
    return MqttPlan(
        host=host,
        port=port,
        prefix=model.prefix,
        protocol=model.protocol,
        client_id=model.client_id,
        user_name=model.user_name,
        tls=reading.tls(model.tls, host, path),
        password_file=reading.file(model.password_file, (*path, "password_file")),
        keepalive_s=int(model.keepalive),
        timeout_s=model.timeout,
        window=model.window,
        status_period_s=model.status_period,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def mqtt_together(plans: Mapping[KeyPath, MqttPlan], mistakes: Mistakes) -> None:
    """No two may take the connection from each other."""
    clients: dict[tuple[str, int, str], KeyPath] = {}
    for path, plan in plans.items():
        client = (plan.host, plan.port, plan.client_id or "")
        if plan.client_id is not None and client in clients:
            text = f"'{plan.client_id}' is that of {dotted(clients[client])} on the same server; give another"
            mistakes.add((*path, "client_id"), text)
        clients.setdefault(client, path)


def _check(model: MqttModel, path: KeyPath, mistakes: Mistakes) -> None:
    prefix = model.prefix
    unfit = any(c in "+#" or c.isspace() or not c.isprintable() for c in prefix)
    # MQTT 3.1.1, section 4.7.2: what begins with $ is the server's own, and no reader of # gets it.
    if unfit or prefix.strip("/") != prefix or prefix.startswith("$"):
        text = (
            f"'{prefix}' is not the beginning of a topic; write for example tanks, without +, #, spaces, outer / or a "
            "$ in front"
        )
        mistakes.add((*path, "prefix"), text)
    if not 1 <= model.window <= _LARGEST_WINDOW:
        mistakes.add((*path, "window"), f"{model.window} messages in flight; give 1 to {_LARGEST_WINDOW}")
    if not model.keepalive.is_integer() or model.keepalive > _LONGEST_KEEPALIVE_S:
        text = f"{model.keepalive:g} s cannot be sent to a broker; give whole seconds up to {_LONGEST_KEEPALIVE_S} s"
        mistakes.add((*path, "keepalive"), text)
    if model.password_file is not None and model.user_name is None:
        mistakes.add((*path, "user_name"), "is missing; a password goes with a user name")
