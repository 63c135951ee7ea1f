"""A mail about alarms, as text: what, where, since when, how it stands, what happens if nobody acts, what to do."""

from collections.abc import Sequence
from datetime import datetime, tzinfo
from typing import NamedTuple

from gateway.delivery.mail.alarms import Item, Note
from gateway.delivery.mail.words import (
    CAUTION,
    LEAK_CAUTION,
    SIMULATED,
    alarm_words,
    local,
    place_words,
    priority_words,
    subject_of,
    value_words,
)
from gateway.display import printable
from gateway.sentences import duration_words
from gateway.tank_state import AlarmKind, AlarmPhase

__all__ = ["About", "Letter", "alarm_letter"]

_IN_FULL = 20
_IN_A_LINE = 200
"""More than these nobody reads in a mail; the rest are counted."""
_OF_LOSS = (AlarmKind.SLOW_LOSS, AlarmKind.UNSCHEDULED_MOVEMENT)


class About(NamedTuple):
    """What a mail is written for and when."""

    site: str
    zone: tzinfo
    now: datetime
    simulated: bool
    escalated: bool = False
    """To those who are told that nobody has acknowledged."""
    held_back: int = 0
    """Events that waited because enough mails had gone out."""
    most_per_hour: int = 0


class Letter(NamedTuple):
    subject: str
    text: str
    is_urgent: bool
    """Whether something in it is to be done now."""


def alarm_letter(items: Sequence[Item], notes: Sequence[Note], about: About) -> Letter:
    """One mail of these items, of which there is at least one where there are no notes."""
    parts = [_head(items, about)]
    parts += [f"{local(note.instant, about.zone)}  {printable(note.text)}." for note in notes]
    parts += [_block(item, about.zone) for item in items[:_IN_FULL]]
    if len(items) > _IN_FULL:
        parts.append(_rest(items[_IN_FULL:], about.zone))
    if about.held_back:
        parts.append(
            f"{about.held_back} events waited for this mail: no more than {about.most_per_hour} mails go out in an "
            "hour."
        )
    parts.append(_foot(items, about))
    urgent = any(item.over is None and item.priority.rank == 0 for item in items)
    return Letter(_subject(items, notes, about), "\n\n".join(part for part in parts if part) + "\n", urgent)


def _subject(items: Sequence[Item], notes: Sequence[Note], about: About) -> str:
    if not items:
        return subject_of(notes[0].text, about.site, simulated=about.simulated)
    first = items[0]
    words = f"{place_words(first.tank)} {_called(first)}"
    if first.over is not None:
        text = f"over: {words}"
    elif about.escalated and not first.is_taken:
        text = f"NOBODY HAS {words}"
    else:
        value = "" if first.standing is None else value_words(first.standing.kind, first.standing.value)
        text = f"{priority_words(first.priority)} {words} {value}".rstrip()
    if len(items) > 1:
        active = sum(item.over is None for item in items)
        text = f"{text} and {len(items) - 1} more ({active} active)"
    if first.is_late:
        # Who reads the subject alone must not take it for what happens now.
        text = f"LATE, of {first.raised.astimezone(about.zone):%H:%M}: {text}"
    return subject_of(text, about.site, simulated=about.simulated)


def _head(items: Sequence[Item], about: About) -> str:
    lines = []
    if about.simulated:
        lines.append(f"{SIMULATED}: these instruments are simulated.")
    if about.escalated:
        lines.append("Nobody had acknowledged in the time that there is for it:")
    late = [item for item in items if item.is_late]
    if late:
        lines.append(
            f"This comes late: {len(late)} of {len(items)} could not be told in time. How each stands is as of "
            f"{local(about.now, about.zone)}."
        )
    if len(items) > 1:
        active = [item for item in items if item.over is None]
        lines.append(f"{len(items)} alarms: {len(active)} active, {len(items) - len(active)} over.")
        first = min(items, key=lambda item: item.raised)
        when = local(first.raised, about.zone, seconds=True)
        lines.append(f"First raised: {place_words(first.tank)} {_called(first)}, {when}.")
    return "\n".join(lines)


def _block(item: Item, zone: tzinfo) -> str:
    words = f"{place_words(item.tank)}  {_called(item)}"
    # What is over is nothing to be done now.
    lines = [f"{priority_words(item.priority)}  {words}" if item.over is None else f"over  {words}"]
    if item.told.reason is not None:
        lines.append(f"  {printable(item.told.reason.text)}")
    standing = item.standing
    if standing is not None and (value := value_words(standing.kind, standing.value)):
        lines.append(f"  Value when raised: {value}")
    times = f", {item.times} times since the last mail" if item.times > 1 else ""
    lines.append(f"  Raised: {local(item.raised, zone)}{times}")
    lines.append(f"  State: {_state(item, zone)}")
    if item.now is not None and item.over is None:
        if item.now.consequence:
            lines.append(f"  If nobody acts: {printable(item.now.consequence)}")
        if item.now.action:
            lines.append(f"  What to do: {printable(item.now.action)}")
        if item.now.response_s is not None:
            lines.append(f"  Time to respond: {duration_words(item.now.response_s)} from when it was raised")
    return "\n".join(lines)


def _state(item: Item, zone: tzinfo) -> str:
    over = "" if item.over is None else f"over since {local(item.over, zone)}"
    standing = item.standing
    if standing is None:
        return over or "active"
    who = printable(standing.by) if standing.by else "somebody"
    until = "" if standing.until is None else f" until {local(standing.until, zone)}"
    why = f" ({printable(standing.why)})" if standing.why else ""
    taken = {
        AlarmPhase.UNACKNOWLEDGED: "nobody has acknowledged it",
        AlarmPhase.RETURNED: "nobody has acknowledged it",
        AlarmPhase.ACKNOWLEDGED: f"{who} has it{why}",
        AlarmPhase.SHELVED: f"shelved by {who}{until}{why}",
        AlarmPhase.SUPPRESSED: "suppressed by design",
        AlarmPhase.OUT_OF_SERVICE: f"out of service by {who}{until}{why}",
    }.get(standing.phase, "")
    return ", ".join(part for part in (over or "active", taken) if part)


def _rest(items: Sequence[Item], zone: tzinfo) -> str:
    lines = ["More:"]
    for item in items[:_IN_A_LINE]:
        first, last = (priority_words(item.priority), "active") if item.over is None else ("over", "over")
        words = f"{place_words(item.tank)}  {_called(item)}"
        lines.append(f"  {first}  {words}, raised {local(item.raised, zone)}, {last}")
    if len(items) > _IN_A_LINE:
        lines.append(
            f"  and {len(items) - _IN_A_LINE} more, which `tank-gateway alarms` lists as far as they are active"
        )
    return "\n".join(lines)


def _foot(items: Sequence[Item], about: About) -> str:
    lines = [f"{printable(about.site)}, {local(about.now, about.zone, seconds=True)}", CAUTION]
    if any(item.standing is not None and item.standing.kind in _OF_LOSS for item in items):
        lines.append(LEAK_CAUTION)
    return "\n".join(lines)


def _called(item: Item) -> str:
    return alarm_words(None if item.standing is None else item.standing.kind, item.name)
