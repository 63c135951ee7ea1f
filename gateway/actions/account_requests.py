"""What a person may ask for in the accounts, as data: the fields of each action. Quantities stay the texts typed."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from gateway.account.amount import AmountKind, AmountSource
from gateway.account.transfer import TransferKind
from gateway.settings.reading.fields import Instant, Name, Section, Text, Whole

__all__ = [
    "ACCOUNT_ACTIONS",
    "AccountAction",
    "CancelTransfer",
    "ChangeTransfer",
    "CloseDay",
    "CloseTransfer",
    "ConfirmTransfer",
    "EnterAmount",
    "FinishTransfer",
    "ImportAmounts",
    "PauseTransfer",
    "PlanTransfer",
    "ResumeTransfer",
    "ReverseAmount",
    "ReverseTicket",
    "StartTransfer",
    "TransferAction",
]

Measure = Annotated[Text, Field(description="On which basis: gsv, nsv, gov, tov, mass, weight_in_air and so on")]


class _Act(Section):
    """`why` is for whoever reads the audit trail; needed where something is taken back or done in spite of doubt."""

    why: Text | None = None


class _Described(_Act):
    """What is said of a transfer."""

    amount: Annotated[Text | None, Field(description="What was ordered, for example 1200 m3 or 850 t")] = None
    measure: Measure | None = None
    begins: Instant | None = None
    partner: Annotated[Text | None, Field(description="Ship, truck, pipeline, supplier or customer")] = None
    reference: Annotated[Text | None, Field(description="Nomination, order or bill of lading")] = None
    owner: Text | None = None


class PlanTransfer(_Described):
    """`source` and `target`: tanks of this site; which of them is wanted follows from the kind."""

    action: Literal["plan-transfer"]
    kind: TransferKind
    source: Name | None = None
    target: Name | None = None


class StartTransfer(_Described):
    """One that is planned, by its number; or at once, by kind and tanks: the opening is the newest sheet at rest."""

    action: Literal["start-transfer"]
    transfer: Whole | None = None
    kind: TransferKind | None = None
    source: Name | None = None
    target: Name | None = None


class ConfirmTransfer(_Described):
    """Of a movement that was proposed: what it is."""

    action: Literal["confirm-transfer"]
    transfer: Whole
    kind: TransferKind | None = None
    source: Name | None = None
    target: Name | None = None


class TransferAction(_Act):
    """Something done to one transfer."""

    transfer: Whole


class ChangeTransfer(_Described):
    action: Literal["change-transfer"]
    transfer: Whole


class PauseTransfer(TransferAction):
    action: Literal["pause-transfer"]


class ResumeTransfer(TransferAction):
    action: Literal["resume-transfer"]


class FinishTransfer(TransferAction):
    """Nothing flows any more; it is closed when the contents have come to rest."""

    action: Literal["finish-transfer"]


class CloseTransfer(TransferAction):
    """Now: before it has settled, or in spite of what holds its ticket back, with a reason."""

    action: Literal["close-transfer"]


class CancelTransfer(TransferAction):
    """There was none, or it is not to be; a movement of its tanks counts as nobody's."""

    action: Literal["cancel-transfer"]
    why: Text


class ReverseTicket(_Act):
    """Take a ticket back; with `partner`, `reference`, `owner` or `kind` another is made in its place."""

    action: Literal["reverse-ticket"]
    ticket: Whole
    why: Text
    kind: TransferKind | None = None
    partner: Text | None = None
    reference: Text | None = None
    owner: Text | None = None


class EnterAmount(_Act):
    """What somebody else measured."""

    action: Literal["amount"]
    kind: AmountKind
    source: AmountSource
    product: Name
    amount: Annotated[Text, Field(description="For example 32.4 m3 or 27.15 t")]
    measure: Measure
    at: Annotated[Instant | None, Field(description="When it was moved; now unless given")] = None
    reference: Text | None = None
    ticket: Whole | None = None
    tank: Name | None = None
    owner: Text | None = None


class ImportAmounts(_Act):
    """Amounts of others out of comma, semicolon or tab separated values: all of them, or none and every mistake."""

    action: Literal["import-amounts"]
    text: Annotated[
        Text, Field(description="A line of columns (kind, source, product, amount, at, reference), then one each")
    ]


class ReverseAmount(_Act):
    action: Literal["reverse-amount"]
    amount: Whole
    why: Text


class CloseDay(_Act):
    """The day that is given by its date, or the one that has ended last: again, as another revision."""

    action: Literal["close-day"]
    day: Annotated[Text | None, Field(description="For example 2026-11-27")] = None


AccountAction = (
    PlanTransfer
    | StartTransfer
    | ConfirmTransfer
    | ChangeTransfer
    | PauseTransfer
    | ResumeTransfer
    | FinishTransfer
    | CloseTransfer
    | CancelTransfer
    | ReverseTicket
    | EnterAmount
    | ImportAmounts
    | ReverseAmount
    | CloseDay
)
ACCOUNT_ACTIONS: Mapping[str, type[Any]] = {
    "plan-transfer": PlanTransfer,
    "start-transfer": StartTransfer,
    "confirm-transfer": ConfirmTransfer,
    "change-transfer": ChangeTransfer,
    "pause-transfer": PauseTransfer,
    "resume-transfer": ResumeTransfer,
    "finish-transfer": FinishTransfer,
    "close-transfer": CloseTransfer,
    "cancel-transfer": CancelTransfer,
    "reverse-ticket": ReverseTicket,
    "amount": EnterAmount,
    "import-amounts": ImportAmounts,
    "reverse-amount": ReverseAmount,
    "close-day": CloseDay,
}
