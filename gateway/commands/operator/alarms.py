"""`alarms`: what needs someone at a site, worst first, with what to do; from a running gateway."""

import argparse
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from gateway.commands.operator.course_words import site_time
from gateway.commands.operator.running_gateway import (
    NoGatewayError,
    add_address,
    fetch_json,
    running_address,
)
from gateway.commands.output import Column, Grid, plain_lines, write, write_json
from gateway.display import printable
from gateway.errors import UsageError
from gateway.payload.alarms import ALARMS_SCHEMA
from gateway.sentences import duration_words
from gateway.settings.reading.validation import suggestion

__all__ = ["add_arguments", "execute"]

_TIMEOUT_S = 5.0
_OF_GATEWAY = "gateway"
_HIDDEN = ("shelved", "suppressed", "out_of_service")
_CAUTION = (
    "Monitoring only: not an overfill prevention system (API 2350) and not a safety instrumented system (IEC 61511). "
    "Independent protection must exist; follow the procedures of your site."
)
_EPILOG = """One row an alarm, worst first: what to do about it stands below, for each kind once.
  now, soon, look   how quickly somebody has to act
  unacknowledged    it holds, and nobody has said yet that he has seen it
  acknowledged      it holds, and somebody has
  returned          it is over, and nobody has acknowledged it
Below that what is hidden: shelved by somebody, suppressed by design, out of service.
Examples: tank-gateway alarms
          tank-gateway alarms --tank TK-101
          tank-gateway enter acknowledge TK-101 high_high
Exit code 1: no gateway answered."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_address(parser)
    parser.add_argument("--tank", metavar="TANK", help=f"of this tank only; `{_OF_GATEWAY}` for the gateway's own")
    parser.add_argument("--json", action="store_true", help="print the answer as it came, in SI")


def execute(arguments: argparse.Namespace) -> int:
    address = running_address(arguments.address)
    document = fetch_json(address, "/alarms", ALARMS_SCHEMA, _TIMEOUT_S)
    if arguments.json:
        write_json(document)
        return 0
    try:
        lines = _lines(document, arguments.tank)
    except (KeyError, TypeError, ValueError) as error:
        raise NoGatewayError(address, "its answer is not one that this version understands") from error
    write(*lines)
    return 0


def _lines(document: Mapping[str, Any], tank: str | None) -> list[str]:
    now = datetime.fromisoformat(document["time"])
    zone = ZoneInfo(document["time_zone"])
    simulated = ", SIMULATED" if document["simulated"] else ""
    lines = [printable(f"{document['site']} at {site_time(now, zone, '%Y-%m-%d %H:%M:%S')}{simulated}")]
    watched = {each["tank"] or _OF_GATEWAY: each["watched_for"] for each in document["watched"]}
    if tank is not None and tank not in watched:
        raise UsageError(f"--tank: there is no tank '{tank}' at {document['site']}", suggestion(tank, watched))
    told = [each for each in document["alarms"] if tank in (None, each["tank"] or _OF_GATEWAY)]
    open_ = [each for each in told if each["alarm"]["phase"] not in _HIDDEN]
    hidden = [each for each in told if each["alarm"]["phase"] in _HIDDEN]
    count = sum(watched.values()) if tank is None else watched[tank]
    unjudged = [name for name, judged in watched.items() if not judged and tank in (None, name)]
    if open_:
        lines += ["", *plain_lines(_grid(open_, now)), "", *_cards(open_)]
    elif count:
        lines.append(f"Nothing needs anyone, of {count} alarms that are watched for.")
    if unjudged:
        lines.append(printable(f"Nothing is watched for, or nothing judged yet: {', '.join(unjudged)}"))
    if hidden:
        lines += ["", "Hidden:", *plain_lines(_hidden_grid(hidden, zone))]
    return [*lines, "", f"Caution: {_CAUTION}"]


def _grid(told: Sequence[Mapping[str, Any]], now: datetime) -> Grid:
    heads = ("", "Tank", "Alarm", "State", "For", "Why")
    rows = []
    for each in told:
        alarm = each["alarm"]
        began = datetime.fromisoformat(alarm["raised"] or alarm["since"])
        by = f" by {alarm['by']}" if alarm["by"] else ""
        rows.append(
            (
                alarm["priority"],
                printable(each["tank"] or _OF_GATEWAY),
                printable(alarm["name"]),
                printable(f"{alarm['phase']}{by}"),
                duration_words(max(0.0, (now - began).total_seconds())),
                printable("" if alarm["reason"] is None else alarm["reason"]["text"]),
            )
        )
    return Grid(tuple(Column(head) for head in heads), tuple(rows))


def _cards(told: Sequence[Mapping[str, Any]]) -> list[str]:
    """For each kind once: what happens if nobody does anything, and what to do."""
    cards = {each["alarm"]["kind"]: each for each in reversed(told)}
    kinds = dict.fromkeys(each["alarm"]["kind"] for each in told)
    lines = []
    for kind in kinds:
        card = cards[kind]
        within = "" if card["response_s"] is None else f" Within {duration_words(card['response_s'])}."
        lines += [printable(f"{kind}: {card['consequence']}"), printable(f"  What to do: {card['action']}{within}")]
    return lines


def _hidden_grid(told: Sequence[Mapping[str, Any]], zone: ZoneInfo) -> Grid:
    heads = ("Tank", "Alarm", "State", "Holds now", "By", "Until", "Why")
    rows = []
    for each in told:
        alarm = each["alarm"]
        until = None if alarm["until"] is None else datetime.fromisoformat(alarm["until"]).astimezone(UTC)
        why = alarm["why"] or ("" if alarm["reason"] is None else alarm["reason"]["text"])
        rows.append(
            (
                printable(each["tank"] or _OF_GATEWAY),
                printable(alarm["name"]),
                alarm["phase"].replace("_", " "),
                "yes" if alarm["active"] else "no",
                printable(alarm["by"] or ""),
                "" if until is None else site_time(until, zone, "%Y-%m-%d %H:%M"),
                printable(why),
            )
        )
    return Grid(tuple(Column(head) for head in heads), tuple(rows))
