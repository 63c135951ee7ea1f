"""What a person is told of a change of product, and what stands of it in history, ledger and audit trail."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from gateway.actions.entry import PRODUCT, entry_document, utc_text
from gateway.actions.held_product import HeldProduct, Word, held_document
from gateway.actions.products import ProductStep
from gateway.reasons import ReasonCode, because
from gateway.tank_record import Event, EventKind

__all__ = ["event_of_step", "product_rows", "products_told", "step_lines", "step_states"]

_PLANNED = "product of {tank}: {product} from {since:utc} on, entered by {by}"
_WITHDRAWN = "product of {tank}: {product} since {since:utc} withdrawn by {by}"


def event_of_step(step: ProductStep, stands: str, now: datetime) -> Event:
    """What is told in history. `stands`: what the tank holds once it is done."""
    after = step.after
    if after.word is Word.CHANGED:
        reason = because(
            ReasonCode.ENTERED,
            "product of {tank}: {product}, {before} before; entered by {by}",
            tank=after.tank,
            product=after.product,
            before=step.stood,
            by=after.by,
        )
        return Event(EventKind.PRODUCT_CHANGED, after.since, after.product, reason, after.by)
    kind, subject, instant, phrase = EventKind.VALUE_ENTERED, PRODUCT, after.entered, _PLANNED
    if after.word is Word.WITHDRAWN:
        kind, phrase = EventKind.VALUE_WITHDRAWN, _WITHDRAWN
        if after.since <= now:
            kind, subject = EventKind.PRODUCT_CHANGED, stands
    since_s = after.since.timestamp()
    reason = because(ReasonCode.ENTERED, phrase, tank=after.tank, product=after.product, since=since_s, by=after.by)
    return Event(kind, instant, subject, reason, after.by)


def step_states(step: ProductStep) -> tuple[list[Any], list[Any]]:
    """Before and after, for the audit trail."""
    before = None if step.before is None else held_document(step.before)
    return [before], [held_document(step.after), *map(entry_document, step.entries)]


def step_lines(step: ProductStep, stands: str) -> list[str]:
    """What holds now. `stands`: what the tank holds by all words, this one among them."""
    after = step.after
    when = utc_text(after.since)
    if after.word is Word.WITHDRAWN:
        return [f"{after.tank}: product: {after.product} from {when} withdrawn by {after.by}; it holds {stands}"]
    if after.word is Word.PLANNED:
        return [f"{after.tank}: product: {after.product} from {when} on, entered by {after.by}; until then {stands}"]
    return [f"{after.tank}: product: {after.product} since {when}, entered by {after.by}"]


def products_told(remarks: Mapping[str, Sequence[str]]) -> list[tuple[str, str]]:
    """Tank and text of each remark."""
    return [(tank, f"{PRODUCT}: {remark}") for tank, lines in sorted(remarks.items()) for remark in lines]


def product_rows(histories: Mapping[str, Sequence[HeldProduct]], remarks: Mapping[str, Sequence[str]]) -> list[Any]:
    """Of each tank of which a person has said something, or of which two masters differ: for programs."""
    return [
        {
            "tank": tank,
            "remarks": list(remarks.get(tank, ())),
            "history": [
                {
                    "product": each.product,
                    "since": each.since.astimezone(UTC).isoformat().replace("+00:00", "Z"),
                    "by": each.by or None,
                    "why": each.why,
                    "planned": each.word is Word.PLANNED,
                }
                for each in history
            ],
        }
        for tank, history in sorted(histories.items())
        if tank in remarks or any(each.is_change for each in history)
    ]
