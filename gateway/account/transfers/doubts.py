"""What keeps a transfer from being closed by itself: each a reason, which a person may overrule by saying why."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from gateway.account.gauging import Gauging, gauging_of
from gateway.account.plan import AccountPlan
from gateway.account.transfer import MarkKind, Side, Transfer, TransferPhase
from gateway.account.transfers.openings import FLOWS_M, apart_m
from gateway.account.transfers.seen import Seen, is_doubted, steady_s
from gateway.records import Quality, Reason, ReasonCode, because
from gateway.states import RoofZone
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion

__all__ = ["Standing", "doubts_of_opening", "settled_at", "standing", "taints"]

_MOVES = (Motion.FILLING, Motion.EMPTYING)


class Standing(NamedTuple):
    """How one tank stands to being closed."""

    closing: Gauging | None
    """None: there is no sheet at all."""
    doubts: tuple[Reason, ...]
    """What a person would have to overrule."""
    rest_wanted_s: float = 0.0
    """How much longer it has to rest; 0: it has settled, or does not rest."""
    is_simulated: bool = False
    """On a real site: nobody can overrule that."""


def standing(
    plan: AccountPlan, transfer: Transfer, side: Side, record: TankRecord | None, seen: Seen | None
) -> Standing:
    """Of one side by the newest sheet of its tank. A closing that was taken already stays."""
    if side.closing is not None:
        return _judged(plan, side, side.closing, (), 0.0)
    if record is None:
        why = because(ReasonCode.NOT_YET_READ, "there is no sheet of {tank} yet", tank=side.tank)
        return Standing(None, (why,))
    doubts: list[Reason] = []
    if is_doubted(record):
        doubts.append(_level_doubt(side.tank, record))
    rest_s = _rest_wanted_s(plan, transfer, side, record, seen)
    if rest_s is None:
        state = record.state
        if state is not None and state.motion in _MOVES:
            phrase = "{tank} has not come to rest: it is {motion}"
            doubts.append(because(ReasonCode.NOT_AT_REST, phrase, tank=side.tank, motion=state.motion.value))
        else:
            phrase = "whether {tank} rests is not known"
            doubts.append(because(ReasonCode.NOT_AT_REST, phrase, tank=side.tank))
    return _judged(plan, side, gauging_of(record), tuple(doubts), rest_s or 0.0)


def settled_at(
    plan: AccountPlan,
    transfer: Transfer,
    sheets: Mapping[str, TankRecord],
    seen: Mapping[str, Seen],
    now: datetime,
) -> datetime | None:
    """UTC: when a transfer that settles has done so if nothing moves; None: it does not settle, or a tank moves."""
    if transfer.phase is not TransferPhase.SETTLING:
        return None
    wanted_s = [0.0]
    for side in transfer.sides:
        if side.closing is not None:
            continue
        record = sheets.get(side.tank)
        rest_s = None if record is None else _rest_wanted_s(plan, transfer, side, record, seen.get(side.tank))
        if rest_s is None:
            return None
        wanted_s.append(rest_s)
    return now + timedelta(seconds=max(wanted_s))


def doubts_of_opening(transfer: Transfer) -> tuple[Reason, ...]:
    """Those that have stood since the opening, or since something happened in between."""
    doubts: list[Reason] = []
    for side in transfer.sides:
        opening = side.opening
        if opening is None:
            doubts.append(because(ReasonCode.NOT_YET_READ, "{tank} has no opening", tank=side.tank))
            continue
        if opening.quality is Quality.BAD:
            doubts.append(_bad(side.tank, "opening", opening))
        if opening.roof is RoofZone.CRITICAL:
            phrase = "the roof of {tank} was in its critical zone at the opening: what it displaces is not known"
            doubts.append(because(ReasonCode.ROOF_CRITICAL_ZONE, phrase, tank=side.tank))
    wrong = [mark for mark in transfer.marks if mark.kind is MarkKind.WRONG_WAY]
    doubts += [because(ReasonCode.WRONG_WAY, "{text}", text=f"{mark.text}: prove the level by a dip") for mark in wrong]
    return tuple(doubts)


def taints(transfer: Transfer, closings: Sequence[Gauging]) -> tuple[Reason, ...]:
    """What makes a ticket Uncertain and yet does not keep it back: waiting would not mend it."""
    found: list[Reason] = []
    for side, closing in zip(transfer.sides, closings, strict=True):
        for when, gauging in (("opening", side.opening), ("closing", closing)):
            if gauging is not None and gauging.motion is not Motion.AT_REST:
                phrase = "{tank} was not known to be at rest at the {when}"
                found.append(because(ReasonCode.NOT_AT_REST, phrase, tank=side.tank, when=when))
        opening = side.opening
        if opening is not None and opening.clock_doubt is not None:
            phrase = "the clock was not trusted at the opening: {why}"
            found.append(because(ReasonCode.CLOCK_UNTRUSTED, phrase, why=opening.clock_doubt))
    changed = [mark for mark in transfer.marks if mark.kind is MarkKind.PRODUCT]
    found += [because(ReasonCode.PRODUCT_CHANGED, "{text}", text=mark.text) for mark in changed]
    for gap in transfer.gaps:
        if gap.is_borne_out is not True:
            phrase = "nobody saw {tank} from {begins:utc} on for a while, and its rates do not bear out how far it went"
            found.append(because(ReasonCode.UNWATCHED, phrase, tank=gap.tank, begins=gap.begins.timestamp()))
    return tuple(dict.fromkeys(found))


def _judged(plan: AccountPlan, side: Side, closing: Gauging, doubts: tuple[Reason, ...], rest_s: float) -> Standing:
    tank, opening = side.tank, side.opening
    found = list(doubts)
    if closing.quality is Quality.BAD:
        found.append(_bad(tank, "closing", closing))
    if opening is not None and opening.product != closing.product:
        phrase = "the product of {tank} was changed from {before} to {after} while nobody watched"
        found.append(
            because(ReasonCode.PRODUCT_CHANGED, phrase, tank=tank, before=opening.product, after=closing.product)
        )
    if closing.clock_doubt is not None:
        found.append(because(ReasonCode.CLOCK_UNTRUSTED, "the clock is not trusted: {why}", why=closing.clock_doubt))
    if closing.roof is RoofZone.CRITICAL:
        phrase = "the roof of {tank} is in its critical zone: what it displaces is not known"
        found.append(because(ReasonCode.ROOF_CRITICAL_ZONE, phrase, tank=tank))
    elif opening is not None and _roofs_differ(opening, closing):
        phrase = "the roof of {tank} was {before} at the opening and is {after}: what it displaces cannot be reckoned"
        before, after = _roof_words(opening.roof), _roof_words(closing.roof)
        found.append(because(ReasonCode.ROOF_LANDED, phrase, tank=tank, before=before, after=after))
    simulated = closing.simulated or (opening is not None and opening.simulated)
    return Standing(closing, tuple(found), rest_s, simulated and not plan.simulated)


def _roofs_differ(opening: Gauging, closing: Gauging) -> bool:
    """Landed and afloat each have their displacement; it cannot be reckoned where the volumes are not known."""
    if opening.roof is closing.roof or RoofZone.CRITICAL in (opening.roof, closing.roof):
        return False
    return opening.value("gov") is None or closing.value("gov") is None


def _roof_words(roof: RoofZone | None) -> str:
    return "not known" if roof is None else roof.value.replace("_", " ")


def _rest_wanted_s(
    plan: AccountPlan, transfer: Transfer, side: Side, record: TankRecord, seen: Seen | None
) -> float | None:
    """None: it does not rest, as far as is known.

    The watch hears of a flow late, and of a short one never: a tank may still move that rests by its word. Where the
    level is not where it was, the rest counts from when somebody said that nothing flows any more, or begins yet.
    """
    state = record.state
    if state is None or state.motion is not Motion.AT_REST or state.since is None:
        return None
    kept = None
    if seen is not None and seen.moved_s is None:
        kept = seen.before_flow(steady_s(record), plan.flow_seen_after_s)
    if kept is not None and abs(apart_m(gauging_of(kept), record)) > FLOWS_M:
        return plan.settling_s
    since, opening = state.since, side.opening
    is_unheard = opening is not None and since <= opening.instant and abs(apart_m(opening, record)) > FLOWS_M
    if is_unheard and transfer.ended is not None:
        since = max(since, transfer.ended)
    rested_s = (record.inventory.instant - since).total_seconds()
    return max(0.0, plan.settling_s - rested_s)


def _level_doubt(tank: str, record: TankRecord) -> Reason:
    level = record.inventory.figures.level
    state = record.state
    if level.reasons:
        return because(level.reasons[0].code, "the level of {tank}: {why}", tank=tank, why=level.reasons[0])
    for each in () if state is None else state.alarms:
        if each.is_active and each.reason is not None:
            return because(each.reason.code, "the level of {tank}: {why}", tank=tank, why=each.reason)
    return because(ReasonCode.INPUT_BAD, "the level of {tank} cannot be believed", tank=tank)


def _bad(tank: str, when: str, gauging: Gauging) -> Reason:
    """Names the first figure that is Bad, in the order of the sheet: the others follow from it."""
    for name, figure in gauging.figures.items():
        if figure.quality is Quality.BAD and figure.reasons:
            phrase = "the {when} of {tank} has no {name}: {why}"
            words = name.replace("_", " ")
            return because(ReasonCode.INPUT_BAD, phrase, when=when, tank=tank, name=words, why=figure.reasons[0])
    return because(ReasonCode.INPUT_BAD, "the {when} of {tank} is Bad", when=when, tank=tank)
