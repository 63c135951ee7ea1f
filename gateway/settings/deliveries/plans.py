"""Where the results go: from the site file to the frozen plans of every kind of destination."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from pydantic import BaseModel

from gateway.delivery.contract import DeliveryPlan
from gateway.settings.deliveries.files import files_plan
from gateway.settings.deliveries.mail import mail_plan
from gateway.settings.deliveries.models import (
    FilesModel,
    MailModel,
    MqttModel,
    OpcuaModel,
    PostgresqlModel,
    RegistersModel,
    SparkplugModel,
    WebhookModel,
)
from gateway.settings.deliveries.mqtt import mqtt_plan, mqtt_together
from gateway.settings.deliveries.opcua import opcua_plan
from gateway.settings.deliveries.postgresql import postgresql_plan
from gateway.settings.deliveries.registers import registers_plan, registers_together
from gateway.settings.deliveries.sparkplug import sparkplug_plan, sparkplug_together
from gateway.settings.deliveries.surroundings import Reading
from gateway.settings.deliveries.webhook import webhook_plan
from gateway.settings.reading.document import Document, KeyPath, Mistakes, dotted
from gateway.settings.reading.validation import validate
from gateway.settings.reading.yaml_tree import ListNode, MappingNode
from gateway.settings.site_models import DeliveryModel
from gateway.settings.tanks.manual import ManualValues

__all__ = ["DELIVERY_KINDS", "DeliveryKind", "build_deliveries", "warn_without_ledger"]


class DeliveryKind(NamedTuple):
    """One kind of destination as the site file has it."""

    model: type[BaseModel]
    plan: Callable[[Any, KeyPath, Reading], DeliveryPlan | None]
    prefix: str
    """Which key of it tells two to one place apart."""
    clash: str
    """What two to one place do, with the other's place in the file in braces."""
    together: Callable[[Any, Mistakes], None] = lambda _plans, _mistakes: None
    """What must hold among all of this kind, by their places in the file."""
    history_alone: bool = False
    """Whether without a ledger nothing goes there at all."""


DELIVERY_KINDS: dict[str, DeliveryKind] = {
    "mqtt": DeliveryKind(MqttModel, mqtt_plan, "prefix", "goes to the topics of {} on the same server", mqtt_together),
    "postgresql": DeliveryKind(
        PostgresqlModel,
        postgresql_plan,
        "schema_name",
        "goes to the tables of {} on the same server",
        history_alone=True,
    ),
    "files": DeliveryKind(FilesModel, files_plan, "folder", "is the folder of {}", history_alone=True),
    "mail": DeliveryKind(MailModel, mail_plan, "to", "writes to the same people as {}", history_alone=True),
    "opcua": DeliveryKind(OpcuaModel, opcua_plan, "address", "listens where {} does"),
    "sparkplug": DeliveryKind(
        SparkplugModel, sparkplug_plan, "node", "is the node of {} at the same server", sparkplug_together
    ),
    "webhook": DeliveryKind(WebhookModel, webhook_plan, "url", "is the address of {}", history_alone=True),
    "registers": DeliveryKind(RegistersModel, registers_plan, "address", "listens where {} does", registers_together),
}
"""By the key of `delivery`. Each may stand there once, or as a list."""


def build_deliveries(document: Document, mistakes: Mistakes, manual: ManualValues) -> tuple[DeliveryPlan, ...]:
    """Where the results go, in the order of the file."""
    top = document.node(("delivery",))
    if top is None:
        return ()
    if not isinstance(top, MappingNode) or set(top.items) - set(DELIVERY_KINDS):
        # The model has the words for what is wrong with that.
        validate(DeliveryModel, document, ("delivery",), mistakes)
        return ()
    reading = Reading(document, mistakes, manual)
    plans: dict[KeyPath, DeliveryPlan] = {}
    for word in top.items:
        kind = DELIVERY_KINDS[word]
        own = {path: plan for path in _places(document, word) if (plan := _plan(kind, path, reading)) is not None}
        kind.together(own, mistakes)
        plans |= own
    _check_together(plans, mistakes)
    return tuple(plans.values())


def warn_without_ledger(document: Document, manual: ManualValues) -> None:
    """Of what gets nothing where the site file says that no ledger is kept."""
    for word, kind in DELIVERY_KINDS.items():
        path: KeyPath = ("delivery", word)
        if kind.history_alone and document.node(path) is not None:
            manual.warn(path, "takes history alone, and `ledger: enabled: no` keeps none, so that nothing goes there")


def _places(document: Document, word: str) -> list[KeyPath]:
    here: KeyPath = ("delivery", word)
    node = document.node(here)
    return [(*here, index) for index in range(len(node.items))] if isinstance(node, ListNode) else [here]


def _plan(kind: DeliveryKind, path: KeyPath, reading: Reading) -> DeliveryPlan | None:
    checked = validate(kind.model, reading.document, path, reading.mistakes)
    return None if checked is None or checked.dropped else kind.plan(checked.model, path, reading)


def _check_together(plans: Mapping[KeyPath, DeliveryPlan], mistakes: Mistakes) -> None:
    """No two may have one name, or write to the same place."""
    names: dict[str, KeyPath] = {}
    places: dict[Any, KeyPath] = {}
    for path, plan in plans.items():
        word = str(path[1])
        place = (word, plan.place)
        if place in places:
            kind = DELIVERY_KINDS[word]
            text = f"{kind.clash.format(dotted(places[place]))}; give another {kind.prefix}"
            mistakes.add((*path, kind.prefix), text)
        elif plan.name in names:
            text = f"'{plan.name}' is the name of {dotted(names[plan.name])} already; give each a name of its own"
            mistakes.add((*path, "name"), text)
        names.setdefault(plan.name, path)
        places.setdefault(place, path)
