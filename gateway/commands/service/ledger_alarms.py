"""`ledger alarms`: how much the alarms of a site ask of the people who watch it, from what a gateway has kept."""

import argparse
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from gateway.clock import utc_now
from gateway.commands.output import note, write, write_json
from gateway.commands.service.ledger_file import add_file, file_of, looked_at, time_of
from gateway.display import printable
from gateway.errors import UsageError
from gateway.history import KeptEvent
from gateway.ledger.blocks import EVENT
from gateway.ledger.entries import Unreadable
from gateway.ledger.span import entries_of_span
from gateway.tank_record import Event
from gateway.tank_state import AlarmStanding
from gateway.watch.alarms.figures import TARGET_PER_HOUR, AlarmCount, AlarmFigures, alarm_figures

__all__ = ["add_arguments", "execute"]

_WEEK = timedelta(days=7)
_OF_GATEWAY = "gateway"
_EPILOG = """Figures of ISA-18.2 / IEC 62682 and EEMUA 191 as quoted publicly: an average of six alarms an hour is what
one person can follow; one that comes three times in a minute chatters, one that stands for more than a day is stale.
What was hidden is not counted. The last seven days unless told otherwise; times are UTC unless they say another zone.
Examples: tank-gateway ledger alarms site.yaml
          tank-gateway ledger alarms site.yaml --from 2026-03-01 --until 2026-04-01 --json
Exit codes: 0 well; 1 events could not be read, and are left out; 2 typed wrongly, or no ledger of this version."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--from", dest="begin", metavar="TIME", help="the first instant; seven days back unless given")
    parser.add_argument("--until", metavar="TIME", help="the instant to stop before; now unless given")
    parser.add_argument("--json", action="store_true", help="for programs")


def execute(arguments: argparse.Namespace) -> int:
    until_ns = time_of("--until", arguments.until)
    end = utc_now() if until_ns is None else datetime.fromtimestamp(until_ns / 1e9, UTC)
    begin_ns = time_of("--from", arguments.begin)
    begin = end - _WEEK if begin_ns is None else datetime.fromtimestamp(begin_ns / 1e9, UTC)
    if begin >= end:
        raise UsageError(f"--until {end:%Y-%m-%d %H:%M} is not after --from {begin:%Y-%m-%d %H:%M}", "give the earlier")
    events: list[tuple[str, Event]] = []
    standings: dict[tuple[str, str], AlarmStanding] = {}
    unreadable = 0
    with looked_at(file_of(arguments.file)) as connection:
        # How alarms stand at the end is told by the last event of each, be that before the begin.
        for entry in entries_of_span(connection, EVENT, None, round(end.timestamp() * 1e9)):
            if isinstance(entry, Unreadable):
                unreadable += 1
            elif isinstance(entry, KeptEvent):
                events.append((entry.identity.tank, entry.event))
                if entry.event.standing is not None:
                    standings[entry.identity.tank, entry.event.subject] = entry.event.standing
    told = [(tank, standing) for (tank, _), standing in standings.items()]
    figures = alarm_figures(events, told, begin, end)
    if arguments.json:
        write_json(_document(figures))
    else:
        write(*_lines(figures))
    if unreadable:
        note(f"{unreadable} events cannot be read and are left out")
    return 1 if unreadable else 0


def _lines(figures: AlarmFigures) -> list[str]:
    judged = {True: "as one person can follow", False: "MORE than one person can follow", None: ""}
    rate = "" if figures.per_hour is None else f", {figures.per_hour:.1f} an hour on average: "
    return [
        f"{figures.begin:%Y-%m-%d %H:%M} to {figures.end:%Y-%m-%d %H:%M} UTC",
        f"Alarms: {figures.alarms}{rate}{judged[figures.is_within_target]} (up to {TARGET_PER_HOUR:g} an hour)",
        f"Most within ten minutes: {figures.peak}",
        *_listed("Most frequent", figures.most_frequent),
        *_listed("Chattering", figures.chattering),
        *_listed("Standing", figures.standing),
        *_listed("Standing for more than a day", figures.stale),
    ]


def _listed(title: str, counts: Sequence[AlarmCount]) -> list[str]:
    named = [f"{each.tank or _OF_GATEWAY} {each.name} ({each.times})" for each in counts]
    return [printable(f"{title}: {', '.join(named)}")] if named else []


def _document(figures: AlarmFigures) -> dict[str, object]:
    plain = figures._asdict()
    for name in ("most_frequent", "chattering", "standing", "stale"):
        plain[name] = [{**each._asdict(), "tank": each.tank or None} for each in plain[name]]
    plain["begin"], plain["end"] = figures.begin.isoformat(), figures.end.isoformat()
    return {**plain, "target_per_hour": TARGET_PER_HOUR}
