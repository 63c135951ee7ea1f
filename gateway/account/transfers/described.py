"""What people say of a transfer, and one that is new."""

from collections.abc import Mapping

from gateway.account.commands import AccountRefusedError, Described
from gateway.account.gauging import MEASURES
from gateway.account.plan import AccountPlan
from gateway.account.transfer import Planned, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.draft import Draft
from gateway.account.transfers.tickets import directions
from gateway.account.transfers.words import amount_words, measure_words, minute
from gateway.tank_record import TankRecord

__all__ = ["changed", "described", "new_transfer"]


def new_transfer(
    draft: Draft,
    plan: AccountPlan,
    kind: TransferKind,
    source: str | None,
    target: str | None,
    sheets: Mapping[str, TankRecord],
) -> Transfer:
    """A planned one of the next number. Raises AccountRefusedError where its tanks do not go with it."""
    sides = sides_of(kind, source, target, sheets)
    product = sheets[sides[0].tank].inventory.product
    owner = next((plan.owners[side.tank] for side in sides if side.tank in plan.owners), "")
    return Transfer(
        number=draft.book.last_transfer + 1,
        kind=kind,
        phase=TransferPhase.PLANNED,
        since=draft.now,
        sides=sides,
        product=product,
        owner=owner,
    )


def sides_of(
    kind: TransferKind, source: str | None, target: str | None, sheets: Mapping[str, TankRecord]
) -> tuple[Side, ...]:
    """Raises AccountRefusedError where a tank has no sheet, the tanks do not go with the kind, or hold two products."""
    sides = tuple(Side(tank, direction) for tank, direction in directions(kind, source, target))
    for side in sides:
        if side.tank not in sheets:
            text = f"'{side.tank}' is no tank of this site of which there is a sheet"
            raise AccountRefusedError(
                text, "look at the tags of the site file, or wait for the first sheet of the tank"
            )
    held = {side.tank: sheets[side.tank].inventory.product for side in sides}
    if len(set(held.values())) > 1:
        told = " and ".join(f"{tank} holds {product}" for tank, product in held.items())
        raise AccountRefusedError(told, "one transfer moves one product: change the product of a tank first")
    return sides


def described(transfer: Transfer, said: Described) -> Transfer:
    """What is not said stays. Raises AccountRefusedError for an amount that cannot be."""
    if said.measure is not None and said.measure not in MEASURES:
        raise AccountRefusedError(f"'{said.measure}' is no measure of an amount", f"one of {', '.join(MEASURES)}")
    if said.amount is not None and not 0.0 < said.amount < float("inf"):
        raise AccountRefusedError("a planned amount is above zero", "give what is to be moved, whichever way")
    planned = transfer.planned
    return transfer._replace(
        planned=Planned(
            planned.amount if said.amount is None else said.amount,
            planned.measure if said.measure is None else said.measure,
            planned.begins if said.begins is None else said.begins,
        ),
        partner=transfer.partner if said.partner is None else said.partner,
        reference=transfer.reference if said.reference is None else said.reference,
        owner=transfer.owner if said.owner is None else said.owner,
    )


def changed(transfer: Transfer, said: Described) -> tuple[Transfer, list[str]]:
    """The transfer, and what is not as it was, in words."""
    after = described(transfer, said)
    words = [
        f"{name} '{value}'"
        for name, value, before in (
            ("partner", after.partner, transfer.partner),
            ("reference", after.reference, transfer.reference),
            ("owner", after.owner, transfer.owner),
        )
        if value != before
    ]
    planned = after.planned
    if (planned.amount, planned.measure) != transfer.planned[:2] and planned.amount is not None:
        words.insert(0, f"planned {amount_words(planned.amount, planned.measure)} {measure_words(planned.measure)}")
    if planned.begins != transfer.planned.begins and planned.begins is not None:
        words.append(f"begins {minute(planned.begins)}")
    return after, words
