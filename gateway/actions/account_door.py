"""What people typed about the accounts, made into commands: quantities in SI, every mistake at once; and the door."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple, Protocol

from gateway.account.commands import (
    AccountCommand,
    ChangeTransfer,
    CloseDay,
    Described,
    EnterAmount,
    ImportAmounts,
    PlanTransfer,
    ReverseAmount,
    ReverseTicket,
    StartTransfer,
    TransferDeed,
    TransferVerb,
)
from gateway.account.gauging import MASSES, MEASURES
from gateway.actions import account_requests as asked
from gateway.actions.account_requests import AccountAction
from gateway.errors import QuantityError, SettingsError
from gateway.settings.reading.validation import suggestion
from gateway.units.quantity import Dimension, parse_quantity

__all__ = ["AccountDoor", "NoAccounts", "SiteFacts", "account_command"]

_VERBS: Mapping[type[Any], TransferVerb] = {
    asked.PauseTransfer: TransferVerb.PAUSE,
    asked.ResumeTransfer: TransferVerb.RESUME,
    asked.FinishTransfer: TransferVerb.FINISH,
    asked.CloseTransfer: TransferVerb.CLOSE,
    asked.CancelTransfer: TransferVerb.CANCEL,
}


class SiteFacts(NamedTuple):
    """What an action is looked at against before the books are."""

    tanks: Mapping[str, str]
    """By tank of the site: what it holds by the site file."""
    products: frozenset[str]


class AccountDoor(Protocol):
    """From the gateway's loop."""

    async def act(
        self, request: Mapping[str, Any], action: AccountAction, person: str, *, only_tried: bool = False
    ) -> dict[str, Any]:
        """The answer, as `Acting.act` gives it; `only_tried`: what it would be, and nothing is done. Raises
        SettingsError with every mistake."""
        ...

    def handover(self) -> Mapping[str, Any]:
        """What whoever takes over the shift has to know, as plain values: `transfers` that are not over, and of `days`
        the `last` that is closed and those that have ended and are `unclosed`."""
        ...


class NoAccounts:
    """Of a gateway that keeps none."""

    async def act(
        self, request: Mapping[str, Any], action: AccountAction, person: str, *, only_tried: bool = False
    ) -> dict[str, Any]:
        return {"code": 1, "lines": ["this gateway keeps no accounts"], "hint": ""}

    def handover(self) -> Mapping[str, Any]:
        return {"transfers": [], "days": None}


def account_command(action: AccountAction, person: str, site: SiteFacts, now: datetime) -> AccountCommand:
    """Raises SettingsError with every mistake: each names the field and what would be right."""
    checked = _Checked(site)
    why = action.why or ""
    command: AccountCommand
    match action:
        case asked.PlanTransfer():
            tanks = checked.tank("source", action.source), checked.tank("target", action.target)
            command = PlanTransfer(action.kind, *tanks, checked.described(action), person, why)
        case asked.StartTransfer():
            if action.transfer is None and action.kind is None:
                checked.mistakes.append("transfer: is missing; give its number, or a kind and the tanks of a new one")
            tanks = checked.tank("source", action.source), checked.tank("target", action.target)
            described = checked.described(action)
            command = StartTransfer(action.transfer, action.kind, *tanks, described, person, why)
        case asked.ConfirmTransfer():
            tanks = checked.tank("source", action.source), checked.tank("target", action.target)
            described = checked.described(action)
            command = StartTransfer(action.transfer, action.kind, *tanks, described, person, why)
        case asked.ChangeTransfer():
            command = ChangeTransfer(action.transfer, checked.described(action), person, why)
        case asked.ReverseTicket():
            command = ReverseTicket(
                action.ticket, person, why, action.kind, action.partner, action.reference, action.owner
            )
        case asked.EnterAmount():
            command = _amount(action, person, checked, now)
        case asked.ImportAmounts():
            command = ImportAmounts(action.text, person, why)
        case asked.ReverseAmount():
            command = ReverseAmount(action.amount, person, why)
        case asked.CloseDay():
            command = CloseDay(action.day, person, why)
        case _:
            command = TransferDeed(_VERBS[type(action)], action.transfer, person, why)
    if checked.mistakes:
        raise SettingsError(tuple(checked.mistakes))
    return command


def _amount(action: asked.EnterAmount, person: str, checked: "_Checked", now: datetime) -> EnterAmount:
    checked.known("product", action.product, checked.site.products)
    checked.tank("tank", action.tank)
    measure = checked.measure(action.measure)
    value = checked.quantity(action.amount, measure)
    return EnterAmount(
        action.kind,
        action.source,
        action.product,
        0.0 if value is None else value,
        measure or "",
        action.at or now,
        person,
        action.reference or "",
        action.ticket,
        action.tank or "",
        action.owner or "",
        action.why or "",
    )


class _Checked:
    """Fields one by one; what is wrong is gathered."""

    def __init__(self, site: SiteFacts) -> None:
        self.site = site
        self.mistakes: list[str] = []

    def known(self, field: str, word: str, known: Sequence[str] | frozenset[str] | Mapping[str, str]) -> None:
        if word not in known:
            self.mistakes.append(f"{field}: there is no {field} '{word}'; {suggestion(word, sorted(known))}")

    def tank(self, field: str, tag: str | None) -> str | None:
        if tag is not None and tag not in self.site.tanks:
            text = f"{field}: there is no tank '{tag}'; {suggestion(tag, sorted(self.site.tanks))}"
            self.mistakes.append(text)
        return tag

    def measure(self, word: str | None) -> str | None:
        if word is not None and word not in MEASURES:
            self.mistakes.append(f"measure: '{word}' is not known; {suggestion(word, MEASURES)}")
            return None
        return word

    def quantity(self, text: str, measure: str | None) -> float | None:
        """SI, of the dimension of the measure; None where that is not known, or the text is none."""
        if measure is None:
            return None
        dimension = Dimension.MASS if measure in MASSES else Dimension.VOLUME
        try:
            return parse_quantity(text, dimension)
        except QuantityError as error:
            self.mistakes.append(f"amount: {error}")
            return None

    def described(
        self, said: asked.PlanTransfer | asked.StartTransfer | asked.ConfirmTransfer | asked.ChangeTransfer
    ) -> Described:
        measure, amount = self.measure(said.measure), None
        if said.amount is not None:
            if said.measure is None:
                measure = _measure_by_unit(said.amount)
            amount = self.quantity(said.amount, measure)
            if amount is not None and amount <= 0.0:
                self.mistakes.append(f"amount: {said.amount} is not above zero; which way it goes is said by the kind")
        return Described(amount, measure, said.begins, said.partner, said.reference, said.owner)


def _measure_by_unit(text: str) -> str:
    """Of an amount that does not say on which basis: mass where its unit is one, else standard volume."""
    try:
        parse_quantity(text, Dimension.MASS)
    except QuantityError:
        return "gsv"
    return "mass"
