"""A transfer is started: one that is planned, one that a movement proposed, or one that nobody knew of."""

from collections.abc import Mapping

from gateway.account.commands import AccountRefusedError, StartTransfer
from gateway.account.gauging import gauging_of
from gateway.account.plan import AccountPlan
from gateway.account.transfer import Direction, MarkKind, Side, Transfer, TransferKind, TransferPhase
from gateway.account.transfers.book import side_of
from gateway.account.transfers.closing import close_if_settled
from gateway.account.transfers.described import described, new_transfer, sides_of
from gateway.account.transfers.draft import Draft, into_phase, marked
from gateway.account.transfers.fits import fit_lines
from gateway.account.transfers.moved import AmountUncertainty
from gateway.account.transfers.openings import opening_of, rest_wanted_s
from gateway.account.transfers.phases import Deed, phase_after
from gateway.account.transfers.seen import motion_of
from gateway.account.transfers.words import amount_words, duration, measure_words, site_minute
from gateway.records import Quality
from gateway.tank_record import EventKind, TankRecord
from gateway.tank_state import Motion

__all__ = ["open_transfer", "start"]

Sheets = Mapping[str, TankRecord]
_CAUTION = "a figure here never authorises opening a valve: follow the procedure of the site"


def open_transfer(draft: Draft, number: int) -> Transfer:
    """Raises AccountRefusedError where there is none that is not over."""
    found = draft.book.transfers.get(number)
    if found is not None:
        return found
    if 1 <= number <= draft.book.last_transfer:
        text = f"transfer {number}: it is over"
        raise AccountRefusedError(text, "a closed one is corrected by reversing its ticket; for another, begin another")
    raise AccountRefusedError(f"transfer {number}: there is none", "look at `tank-gateway transfers`")


def start(
    draft: Draft, plan: AccountPlan, command: StartTransfer, sheets: Sheets, uncertainty: AmountUncertainty
) -> None:
    """Raises AccountRefusedError; then nothing has happened."""
    if command.transfer is None:
        if command.kind is None:
            raise AccountRefusedError(
                "it is not said what is to be started", "give the number of a transfer, or a kind"
            )
        before = new_transfer(draft, plan, command.kind, command.source, command.target, sheets)
    else:
        before = open_transfer(draft, command.transfer)
        phase_after(before, Deed.START)
        before = _as_asked(before, command, sheets)
    transfer = described(before, command.described)._replace(by=command.by)
    for side in transfer.sides:
        _refuse_busy(draft, transfer, side)
    transfer = _opened(draft, plan, transfer, sheets)
    phase = TransferPhase.RUNNING
    if all(side.closing is not None for side in transfer.sides):
        # What was proposed is over: only the ticket is wanting.
        phase = TransferPhase.SETTLING
    held = {side.tank: side.opening.product for side in transfer.sides if side.opening is not None}
    if len(set(held.values())) > 1:
        told = " and ".join(f"{tank} held {product}" for tank, product in held.items())
        raise AccountRefusedError(f"transfer {transfer.number}: {told}", "one transfer moves one product")
    other = next((tank for tank, product in held.items() if product != before.product), "")
    if before.phase is TransferPhase.PLANNED and command.transfer is not None and other:
        text = f"transfer {transfer.number}: it was planned of {before.product}, and {other} holds {held[other]}"
        raise AccountRefusedError(text, "cancel it and start another, or enter what the tank holds")
    openings = [side.opening.instant for side in transfer.sides if side.opening is not None]
    transfer = into_phase(transfer, phase, draft.now)._replace(began=min(openings))
    draft.put(transfer, EventKind.TRANSFER_STARTED, command.by)
    draft.lines.append(f"transfer {transfer.number}: {transfer.kind.value.replace('_', ' ')} of {transfer.product}")
    draft.lines += [_opening_line(side, plan) for side in transfer.sides]
    draft.lines += fit_lines(transfer, sheets)
    draft.notes.append(_CAUTION)
    if phase is TransferPhase.SETTLING:
        close_if_settled(draft, plan, transfer, sheets, uncertainty)


def _as_asked(before: Transfer, command: StartTransfer, sheets: Sheets) -> Transfer:
    """Where another kind or other tanks are given than it has: a proposal keeps what it has of its tank."""
    if command.kind is None and command.source is None and command.target is None:
        return before
    kind = before.kind if command.kind is None else command.kind
    source, target = command.source, command.target
    if source is None and target is None:
        # Only the kind is given: the tank is known.
        own = before.sides[0].tank
        source, target = (None, own) if kind is TransferKind.RECEIPT else (own, None)
    elif command.kind is None or kind is TransferKind.TANK_TO_TANK:
        source = source or _tank(before, Direction.OUT_OF)
        target = target or _tank(before, Direction.INTO)
        if command.kind is None and source is not None and target is not None:
            kind = TransferKind.TANK_TO_TANK
    known = {side.tank: side for side in before.sides}
    sides = tuple(
        known[side.tank]._replace(direction=side.direction) if side.tank in known else side
        for side in sides_of(kind, source, target, sheets)
    )
    missing = [tank for tank, side in known.items() if side.opening and all(tank != each.tank for each in sides)]
    if missing:
        text = f"transfer {before.number}: it was {missing[0]} that moved"
        raise AccountRefusedError(text, "give that tank (--from, --into), or cancel it and start another")
    return before._replace(kind=kind, sides=sides)


def _tank(transfer: Transfer, direction: Direction) -> str | None:
    return next((side.tank for side in transfer.sides if side.direction is direction), None)


def _refuse_busy(draft: Draft, transfer: Transfer, side: Side) -> None:
    if side.closing is not None:
        return
    other = draft.book.begun_at(side.tank)
    if other is not None:
        text = (
            f"transfer {transfer.number}: {side.tank} belongs to transfer {other.number}, which is {other.phase.value}"
        )
        raise AccountRefusedError(text, f"finish and close transfer {other.number} first, or cancel it")


def _opened(draft: Draft, plan: AccountPlan, transfer: Transfer, sheets: Sheets) -> Transfer:
    """Each tank with its opening. What a movement had proposed of a tank becomes part of it, or ends before it."""
    sides = []
    for side in transfer.sides:
        if side.opening is not None:
            sides.append(side)
            continue
        record = sheets[side.tank]
        proposed = _also_proposed(draft, transfer, side.tank)
        found = None if proposed is None else side_of(proposed, side.tank)
        if proposed is not None and found is not None:
            if transfer.phase is TransferPhase.PROPOSED or motion_of(record) is not Motion.AT_REST:
                text = f"it is part of transfer {transfer.number}"
                over = into_phase(proposed, TransferPhase.CANCELLED, draft.now)
                draft.put(marked(over, MarkKind.CORRECTED, draft.now, text), EventKind.TRANSFER_CANCELLED)
                sides.append(side._replace(opening=found.opening, closing=found.closing))
                continue
            # It rests: what was proposed ends here, and this begins.
            ended = found._replace(closing=gauging_of(record))
            kept = tuple(ended if each.tank == side.tank else each for each in proposed.sides)
            draft.put(proposed._replace(sides=kept, ended=draft.now), EventKind.TRANSFER_CHANGED)
            sides.append(side._replace(opening=ended.closing))
            continue
        opening = opening_of(draft.book, plan, side.tank, record)
        wanted_s = rest_wanted_s(plan, record)
        if wanted_s > 0.0 and (opening.gauging.boot, opening.gauging.sequence) == record.identity[2:]:
            text = f"{side.tank} had not settled at the opening: {duration(wanted_s)} of rest were wanting"
            transfer = marked(transfer, MarkKind.QUALITY, draft.now, text)
            draft.notes.append(text)
        if opening.doubt:
            transfer = marked(transfer, MarkKind.QUALITY, draft.now, opening.doubt)
        if opening.gauging.clock_doubt is not None:
            transfer = marked(transfer, MarkKind.CLOCK, draft.now, "the clock was not trusted at the opening")
        if opening.gauging.quality is not Quality.GOOD:
            text = f"the opening of {side.tank} is {opening.gauging.quality.word}"
            transfer = marked(transfer, MarkKind.QUALITY, draft.now, text)
        sides.append(side._replace(opening=opening.gauging))
    product = next((side.opening.product for side in sides if side.opening is not None), transfer.product)
    return transfer._replace(sides=tuple(sides), product=product)


def _also_proposed(draft: Draft, transfer: Transfer, tank: str) -> Transfer | None:
    """What a movement had proposed of that tank: it goes on, or it went with that of the tank that is confirmed."""
    now = draft.book.proposed_at(tank)
    if now is not None and now.number != transfer.number:
        return now
    if transfer.phase is not TransferPhase.PROPOSED:
        return None
    own = transfer.sides[0] if transfer.sides[0].opening is not None else transfer.sides[-1]
    for other in draft.book.transfers.values():
        side = side_of(other, tank)
        is_other = other.phase is TransferPhase.PROPOSED and other.number != transfer.number
        if is_other and side is not None and _meet(own, side):
            return other
    return None


def _meet(one: Side, other: Side) -> bool:
    """Whether two movements were at the same time, by the clock, as far as they are known."""
    if one.opening is None or other.opening is None:
        return False
    ends_before = one.closing is not None and one.closing.instant <= other.opening.instant
    begins_after = other.closing is not None and other.closing.instant <= one.opening.instant
    return not ends_before and not begins_after


def _opening_line(side: Side, plan: AccountPlan) -> str:
    opening = side.opening
    if opening is None:
        return f"{side.tank}: no opening"
    parts = [f"{side.tank}: opening {site_minute(opening.instant, plan.zone)}"]
    level = opening.value("level")
    if level is not None:
        parts.append(f"level {level * 1000.0:,.0f} mm")
    temperature = opening.value("liquid_temperature")
    if temperature is not None:
        parts.append(f"{temperature:.1f} degC")
    water = opening.figures["water_level"]
    if water.value is not None:
        parts.append(f"water {water.value * 1000.0:,.0f} mm")
    elif water.quality is Quality.BAD:
        parts.append("water not known")
    for measure in ("tov", "gsv", "mass"):
        value = opening.value(measure)
        if value is not None:
            parts.append(f"{measure_words(measure)} {amount_words(value, measure)}")
    return f"{', '.join(parts)}; {opening.quality.word}"
