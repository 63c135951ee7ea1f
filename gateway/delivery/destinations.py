"""The one table of the kinds of destinations: from what the site file fixed to the destination that delivers."""

from collections.abc import Callable
from typing import Any

from gateway.delivery.contract import DeliveryPlan, Destination, Surroundings
from gateway.delivery.files.delivery import FilesDelivery
from gateway.delivery.mail.delivery import MailDelivery
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.delivery.opcua.delivery import OpcuaDelivery
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.plan import FilesPlan, MqttPlan
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.delivery.registers.delivery import RegistersDelivery
from gateway.delivery.registers.plan import RegistersPlan
from gateway.delivery.sparkplug.delivery import SparkplugDelivery
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.delivery.webhook.delivery import WebhookDelivery
from gateway.delivery.webhook.plan import WebhookPlan

__all__ = ["DESTINATION_KINDS", "make_destination", "takes_history", "takes_records"]


def make_destination(plan: DeliveryPlan, around: Surroundings) -> Destination:
    """The destination of a plan, not yet running."""
    return DESTINATION_KINDS[type(plan)](plan, around)


def _mqtt(plan: MqttPlan, around: Surroundings) -> MqttDelivery:
    return MqttDelivery(
        plan,
        around.site,
        around.boot,
        around.snapshot,
        random=around.random,
        came_round=around.came_round,
        outbox=around.outbox,
    )


DESTINATION_KINDS: dict[type, Callable[[Any, Surroundings], Destination]] = {
    MqttPlan: _mqtt,
    FilesPlan: FilesDelivery,
    PostgresqlPlan: PostgresqlDelivery,
    MailPlan: MailDelivery,
    WebhookPlan: WebhookDelivery,
    RegistersPlan: RegistersDelivery,
    SparkplugPlan: SparkplugDelivery,
    OpcuaPlan: OpcuaDelivery,
}
"""By the type of the plan."""

_OF_THE_PRESENT = (RegistersPlan, OpcuaPlan)
_OF_EVENTS = (MailPlan, WebhookPlan)


def takes_records(plan: DeliveryPlan) -> bool:
    """Whether it takes records of history, where it takes history: some take events alone."""
    return not isinstance(plan, _OF_EVENTS)


def takes_history(plan: DeliveryPlan) -> bool:
    """Whether anything of what is kept goes there: some tell the present and nothing else."""
    return not isinstance(plan, _OF_THE_PRESENT)
