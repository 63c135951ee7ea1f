"""Edge nodes of Sparkplug: from the site file to their frozen plans."""

from collections.abc import Mapping

from gateway.delivery.sparkplug.names import forbidden
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.settings.deliveries.models import SparkplugModel
from gateway.settings.deliveries.surroundings import Reading, is_loopback
from gateway.settings.reading.document import KeyPath, Mistakes, dotted
from gateway.settings.reading.yaml_tree import MappingNode

__all__ = ["sparkplug_plan", "sparkplug_together"]

_LONGEST_KEEPALIVE_S = 60
_RESERVED = "STATE"


def sparkplug_plan(model: SparkplugModel, path: KeyPath, reading: Reading) -> SparkplugPlan:
    """One node."""
    _check(model, path, reading)
    hosts = [host for host, _ in model.address]
    away = next((host for host in hosts if not is_loopback(host)), hosts[0] if hosts else "")
    return SparkplugPlan(
        addresses=model.address,
        group=model.group,
        node=model.node,
        primary_host=model.primary_host,
        protocol=model.protocol,
        client_id=model.client_id,
        user_name=model.user_name,
        password_file=reading.file(model.password_file, (*path, "password_file")),
        tls=reading.tls(model.tls, away, path),
        keepalive_s=int(model.keepalive),
        timeout_s=model.timeout,
        host_wait_s=model.host_wait,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def sparkplug_together(plans: Mapping[KeyPath, SparkplugPlan], mistakes: Mistakes) -> None:
    """No two that may meet at a server have one name there, or take the connection from each other."""
    met: list[tuple[KeyPath, SparkplugPlan]] = []
    for path, plan in plans.items():
        for other_path, other in met:
            # Those with the very same servers are found where all kinds are looked at.
            if not set(plan.addresses) & set(other.addresses):
                continue
            if plan.place != other.place and _name(plan) == _name(other):
                text = f"'{plan.node}' is the node of {dotted(other_path)} at the same server; give another node"
                mistakes.add((*path, "node"), text)
            if plan.client_id is not None and plan.client_id == other.client_id:
                text = f"'{plan.client_id}' is that of {dotted(other_path)} on the same server; give another"
                mistakes.add((*path, "client_id"), text)
        met.append((path, plan))


def _name(plan: SparkplugPlan) -> tuple[str, str]:
    """As hosts may take it that do not look at capitals."""
    return plan.group.lower(), plan.node.lower()


def _check(model: SparkplugModel, path: KeyPath, reading: Reading) -> None:
    mistakes = reading.mistakes
    if not model.address:
        mistakes.add((*path, "address"), "is empty; give for example 192.0.2.10:1883")
    if len(set(model.address)) < len(model.address):
        mistakes.add((*path, "address"), "names a server twice; give each once")
    for key in ("group", "node", "primary_host"):
        text = getattr(model, key)
        if text is not None and (found := forbidden(text)):
            said = found if found.isprintable() else "an unprintable character"
            mistakes.add((*path, key), f"'{text}' has {said}, which Sparkplug does not allow there; leave it out")
    if model.group == _RESERVED:
        text = f"'{_RESERVED}' is where hosts say how they stand (Sparkplug 3.0, 4.2.3); give another group"
        mistakes.add((*path, "group"), text)
    if not model.keepalive.is_integer() or not 1 <= model.keepalive <= _LONGEST_KEEPALIVE_S:
        text = (
            f"{model.keepalive:g} s is no fit time between pings, which say how far history has arrived; give whole "
            f"seconds, 1 s to {_LONGEST_KEEPALIVE_S} s"
        )
        mistakes.add((*path, "keepalive"), text)
    if model.password_file is not None and model.user_name is None:
        mistakes.add((*path, "user_name"), "is missing; a password goes with a user name")
    _check_tanks(path, reading)


def _check_tanks(path: KeyPath, reading: Reading) -> None:
    tanks = reading.document.node(("tanks",))
    seen: dict[str, str] = {}
    for tank in tanks.items if isinstance(tanks, MappingNode) else ():
        if tank.lower() in seen:
            both = f"{seen[tank.lower()]} and {tank}"
            text = f"the tanks {both} differ in capitals alone, which some hosts do not tell apart"
            reading.manual.warn(path, text)
        seen.setdefault(tank.lower(), tank)
