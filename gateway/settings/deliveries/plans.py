"""Where the results go: from the site file to the frozen plans of MQTT and HTTP."""

import ipaddress
import re
from collections.abc import Mapping
from pathlib import Path

from gateway.delivery.contract import DeliveryPlan
from gateway.delivery.plan import MqttPlan, TlsPlan
from gateway.files import trouble_with
from gateway.settings.deliveries.open_secrets import warn_of_open_secret
from gateway.settings.reading.document import Document, KeyPath, Mistakes, dotted
from gateway.settings.reading.validation import validate
from gateway.settings.reading.yaml_tree import ListNode
from gateway.settings.site_models import DeliveriesModel, DeliveryModel, MqttModel, WebModel
from gateway.settings.tanks.manual import ManualValues
from gateway.web.plan import HttpPlan

__all__ = ["build_deliveries", "build_http"]

_HOST_NAME = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)*\.?", re.ASCII | re.IGNORECASE)
_SECRETS = ("password_file", "key")
_MQTT: KeyPath = ("delivery", "mqtt")
_LARGEST_WINDOW = 100
_LONGEST_KEEPALIVE_S = 65535


def build_http(document: Document, mistakes: Mistakes, manual: ManualValues) -> HttpPlan | None:
    """The HTTP interface, or None where the file has none."""
    path: KeyPath = ("web",)
    if document.node(path) is None:
        return None
    checked = validate(WebModel, document, path, mistakes)
    if checked is None or checked.dropped:
        return None
    host, port = checked.model.address
    if not _is_loopback(host):
        manual.warn(
            (*path, "address"),
            f"{host} can be reached from other machines, without a password; use 127.0.0.1 unless that is meant",
        )
    for index, name in enumerate(checked.model.names):
        if not _HOST_NAME.fullmatch(name):
            mistakes.add((*path, "names", index), f"'{name}' is no host name; write for example tanks.example")
    return HttpPlan(host, port, checked.model.names)


def build_deliveries(document: Document, mistakes: Mistakes, manual: ManualValues) -> tuple[DeliveryPlan, ...]:
    """Where the results go, in the order of the file."""
    if document.node(("delivery",)) is None:
        return ()
    models: dict[KeyPath, MqttModel] = {}
    if isinstance(document.node(_MQTT), ListNode):
        several = validate(DeliveriesModel, document, ("delivery",), mistakes)
        if several is None or several.dropped:
            return ()
        models = {(*_MQTT, index): model for index, model in enumerate(several.model.mqtt)}
    else:
        one = validate(DeliveryModel, document, ("delivery",), mistakes)
        if one is None or one.dropped or one.model.mqtt is None:
            return ()
        models = {_MQTT: one.model.mqtt}
    files = _Files(document, manual)
    plans = {path: _mqtt(model, path, mistakes, manual, files) for path, model in models.items()}
    _check_together(plans, mistakes)
    return tuple(plans.values())


def _mqtt(model: MqttModel, path: KeyPath, mistakes: Mistakes, manual: ManualValues, files: "_Files") -> MqttPlan:
    _check_mqtt(model, path, mistakes)
    host, port = model.address
    if model.tls is None and not _is_loopback(host):
        text = f"{host} is another machine and everything goes there unencrypted; give tls"
        manual.warn((*path, "address"), text)
    tls = None
    if model.tls is not None:
        here: KeyPath = (*path, "tls")
        tls = TlsPlan(
            files.path(model.tls.ca, (*here, "ca")),
            files.path(model.tls.certificate, (*here, "certificate")),
            files.path(model.tls.key, (*here, "key")),
        )
    return MqttPlan(
        host=host,
        port=port,
        prefix=model.prefix,
        protocol=model.protocol,
        client_id=model.client_id,
        user_name=model.user_name,
        password_file=files.path(model.password_file, (*path, "password_file")),
        tls=tls,
        keepalive_s=int(model.keepalive),
        timeout_s=model.timeout,
        window=model.window,
        status_period_s=model.status_period,
        backoff_first_s=model.backoff_first,
        backoff_longest_s=model.backoff_longest,
        given_name=model.name,
    )


def _check_together(plans: Mapping[KeyPath, MqttPlan], mistakes: Mistakes) -> None:
    """No two may have one name, write to the same topics, or take the connection from each other."""
    names: dict[str, KeyPath] = {}
    places: dict[tuple[str, int, str], KeyPath] = {}
    clients: dict[tuple[str, int, str], KeyPath] = {}
    for path, plan in plans.items():
        if plan.place in places:
            text = f"goes to the topics of {dotted(places[plan.place])} on the same server; give another prefix"
            mistakes.add((*path, "prefix"), text)
        elif plan.name in names:
            text = f"'{plan.name}' is the name of {dotted(names[plan.name])} already; give each a name of its own"
            mistakes.add((*path, "name"), text)
        client = (plan.host, plan.port, plan.client_id or "")
        if plan.client_id is not None and client in clients:
            text = f"'{plan.client_id}' is that of {dotted(clients[client])} on the same server; give another"
            mistakes.add((*path, "client_id"), text)
        names.setdefault(plan.name, path)
        places.setdefault(plan.place, path)
        clients.setdefault(client, path)


def _check_mqtt(model: MqttModel, path: KeyPath, mistakes: Mistakes) -> None:
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
    if model.tls is not None and (model.tls.certificate is None) != (model.tls.key is None):
        missing = "key" if model.tls.key is None else "certificate"
        mistakes.add((*path, "tls", missing), "is missing; a certificate and its key go together")


class _Files:
    """Paths count from the file in which they are written."""

    def __init__(self, document: Document, manual: ManualValues) -> None:
        self._document = document
        self._manual = manual

    def path(self, text: str | None, key: KeyPath) -> Path | None:
        if text is None:
            return None
        file = Path(self._document.place(key).file).parent / text
        # Warnings only: the machine and the user that run the file may be others than those that check it.
        trouble = trouble_with(file)
        if trouble is not None:
            self._manual.warn(key, f"there is no file {file} on this machine" if trouble.missing else trouble.sentence)
        elif key[-1] in _SECRETS:
            warn_of_open_secret(file, key, self._manual)
        return file


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
