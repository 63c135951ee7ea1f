"""The mail of each day that says that all of this still works: who does not get it knows that something is wrong.

When it is due, and what it says.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta, tzinfo

from gateway.delivery.mail.alarms import LATE_S
from gateway.delivery.mail.letter import Letter
from gateway.delivery.mail.words import CAUTION, SIMULATED, alarm_words, local, place_words, priority_words, subject_of
from gateway.display import printable, reason_sentences
from gateway.history import KeptEvent
from gateway.records import Quality
from gateway.sentences import duration_words
from gateway.status import GatewaySnapshot
from gateway.tank_record import EventKind
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase

__all__ = ["STILL_ALIVE", "Days", "latest_due", "lost_before", "still_alive_letter"]

STILL_ALIVE = "Still alive"
"""How its subject begins: a rule of a mail program can look for it."""
_A_DAY = timedelta(days=1)
_TO_SEND = timedelta(minutes=2)
"""By then it is sent, or its destination is told to be lost."""
_MOST_LISTED = 100
_MOST_REASONS = 3
_HIDDEN = (AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED, AlarmPhase.OUT_OF_SERVICE)


def latest_due(at: time, zone: tzinfo, now: datetime) -> datetime:
    """UTC, when it was last due: each local day once. A time that a day does not have is taken by the offset before."""
    today = now.astimezone(zone).date()
    for day in (today + _A_DAY, today, today - _A_DAY):
        due = datetime.combine(day, at, zone).astimezone(UTC)
        if due <= now:
            return due
    raise AssertionError("yesterday's time is never ahead")  # pragma: no cover


class Days:
    """Which of them has had its mail. One process cannot know what the one before did: it goes by its last events."""

    def __init__(self, at: time | None) -> None:
        self._at = at
        self._settled: datetime | None = None
        """The due time of the last day that has had its mail, or needs none."""
        self._ran_until: datetime | None = None
        """UTC, until when the process before is known to have been there."""
        self._waited_since: datetime | None = None
        """UTC, of the oldest event that it left behind without having told it."""
        self.knows = False
        """Whether this start has been heard of, and with it what was before it."""

    def hear(self, event: KeptEvent, boot: str) -> None:
        """One of the entries that wait, in order; once more after a connection has ended."""
        kind, subject, instant = event.event.kind, event.event.subject, event.event.instant
        if kind is EventKind.GATEWAY_STARTED and subject == boot:
            self.knows = True
        elif kind is EventKind.GATEWAY_STOPPED and subject != boot:
            self._was_there(instant)
        elif kind is EventKind.GATEWAY_BROKE_OFF:
            last = dict(() if event.event.reason is None else event.event.reason.values).get("last")
            if isinstance(last, float):
                self._was_there(datetime.fromtimestamp(last, UTC))
        elif event.identity.boot != boot and (self._waited_since is None or instant < self._waited_since):
            self._waited_since = instant

    def due(self, zone: tzinfo, now: datetime, *, was_away: bool = False) -> datetime | None:
        """UTC, since when the mail of a day is due that has not had it; None: none is.

        `was_away`: whether the mail server was, when the process before ended.
        """
        if self._at is None:
            return None
        due = latest_due(self._at, zone, now)
        if self._settled is None and not was_away and self._was_sent_before(due):
            self._settled = due
        # A clock that was far ahead for a while would else keep it silent until then.
        if self._settled is not None and self._settled > now + _A_DAY:
            self._settled = due
        return due if self._settled is None or due > self._settled else None

    def settle(self, due: datetime) -> None:
        """That day has had it."""
        self._settled = due

    def _was_there(self, instant: datetime) -> None:
        if self._ran_until is None or instant > self._ran_until:
            self._ran_until = instant

    def _was_sent_before(self, due: datetime) -> bool:
        """By the process before: it was there then, and its mails went out. In doubt it is sent twice."""
        if self._ran_until is None or due > self._ran_until - _TO_SEND:
            return False
        waited = self._waited_since
        return waited is None or self._ran_until - waited <= timedelta(seconds=LATE_S)


def lost_before(snapshot: GatewaySnapshot, destination: str) -> bool:
    """Whether this destination is told to be lost, since before this process began."""
    name = f"{AlarmKind.DESTINATION_LOST}.{destination}"
    found = (each.standing for each in snapshot.alarms if not each.tank and each.standing.name == name)
    raised = next((each.raised for each in found if each.is_active), None)
    return raised is not None and raised.timestamp() < snapshot.started_ns / 1e9


def still_alive_letter(
    snapshot: GatewaySnapshot, alarms: Sequence[AlarmNow], due: datetime, zone: tzinfo, held_back: int
) -> Letter:
    """What is active, hidden and in maintenance, and how the gateway does."""
    active = sorted((each for each in alarms if _is_open(each)), key=lambda each: each.standing.priority.rank)
    hidden = [each for each in alarms if each.standing.phase in _HIDDEN]
    good = sum(record.inventory.quality is Quality.GOOD for record in snapshot.inventories)
    tanks = len(snapshot.inventories) + len(snapshot.awaited)
    text = (
        f"{STILL_ALIVE}: {len(active)} {'alarm' if len(active) == 1 else 'alarms'}, {len(hidden)} hidden, "
        f"{tanks - good} of {tanks} tanks not Good"
    )
    lines = [f"{SIMULATED}: these instruments are simulated."] if snapshot.simulated else []
    lines.append(f"{printable(snapshot.site)}: the gateway runs and can send mail. Due {local(due, zone)}.")
    lines += ["", *_listed("Alarms that are active or not acknowledged", active, zone)]
    lines += ["", *_listed("Hidden: shelved, suppressed, out of service", hidden, zone)]
    lines += ["", *_doubtful(snapshot)]
    lines += ["", *_gateway(snapshot, zone, held_back)]
    lines += ["", f"Where this mail does not come, look at the gateway. {CAUTION}"]
    return Letter(subject_of(text, snapshot.site, simulated=snapshot.simulated), "\n".join(lines) + "\n", False)


def _is_open(alarm: AlarmNow) -> bool:
    return alarm.standing.phase in (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED)


def _listed(head: str, alarms: Sequence[AlarmNow], zone: tzinfo) -> list[str]:
    lines = [f"{head}: {len(alarms) or 'none'}"]
    for each in alarms[:_MOST_LISTED]:
        standing = each.standing
        parts = [f"  {priority_words(standing.priority)}  {place_words(each.tank)}"]
        parts.append(f"  {alarm_words(standing.kind, standing.name)}, {standing.phase.value.replace('_', ' ')}")
        parts.append(f" since {local(standing.since, zone)}")
        if standing.by:
            parts.append(f" by {printable(standing.by)}")
        if standing.until is not None:
            parts.append(f" until {local(standing.until, zone)}")
        lines.append("".join(parts))
    if len(alarms) > _MOST_LISTED:
        lines.append(f"  and {len(alarms) - _MOST_LISTED} more")
    return lines


def _doubtful(snapshot: GatewaySnapshot) -> list[str]:
    lines = []
    for record in snapshot.inventories:
        inventory = record.inventory
        if inventory.quality is not Quality.GOOD:
            why = "; ".join(reason_sentences(inventory.figures._asdict(), inventory.quality)[:_MOST_REASONS])
            lines.append(f"  {printable(inventory.tank)}  {inventory.quality.word}{': ' if why else ''}{why}")
    awaited = [f"  {printable(tank)}  nothing yet" for tank in snapshot.awaited]
    found = [*awaited, *lines]
    more = [f"  and {len(found) - _MOST_LISTED} more"] if len(found) > _MOST_LISTED else []
    return [f"Tanks that are not Good: {len(found) or 'none'}", *found[:_MOST_LISTED], *more]


def _gateway(snapshot: GatewaySnapshot, zone: tzinfo, held_back: int) -> list[str]:
    started = datetime.fromtimestamp(snapshot.started_ns / 1e9, UTC)
    lines = [f"Gateway {snapshot.version}, running since {local(started, zone)}"]
    lines += [f"  line {printable(each.line)}: not connected" for each in snapshot.lines if not each.connected]
    silent = [each.instrument for each in snapshot.instruments if not each.up]
    if silent:
        lines.append(f"  instruments without an answer: {printable(', '.join(silent[:_MOST_LISTED]))}")
    for each in snapshot.destinations:
        waiting = "" if each.history is None or not each.history.waiting else f", {each.history.waiting} entries wait"
        if not each.connected or each.troubles:
            why = "; ".join(trouble.text for trouble in each.troubles) or "not connected"
            lines.append(f"  destination {printable(each.destination)}: {printable(why)}{waiting}")
    ledger = snapshot.ledger
    if ledger is not None:
        age = "" if ledger.oldest_ns is None else f", back to {_age(snapshot, ledger.oldest_ns)} ago"
        trouble = "" if ledger.trouble is None else f"; {printable(ledger.trouble.text)}"
        lines.append(f"  ledger: {ledger.entries} entries{age}, {ledger.lost} lost since the start{trouble}")
    if snapshot.site_file_refused:
        lines.append("  the site file was refused when it was last read: what is watched is an older one")
    if snapshot.log_lines_dropped:
        lines.append(f"  {snapshot.log_lines_dropped} lines of the log were lost")
    if held_back:
        lines.append(f"  {held_back} events wait for the next mail about alarms")
    return lines


def _age(snapshot: GatewaySnapshot, since_ns: int) -> str:
    return duration_words(max(0.0, snapshot.instant.timestamp() - since_ns / 1e9))
