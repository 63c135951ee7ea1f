"""`line-report`: how the lines of a site are doing, who is slow, who is dead, what looks wrong and what to do."""

import argparse
from collections.abc import Sequence
from math import inf
from typing import Any

from gateway.acquisition.plan import LinePlan
from gateway.commands.operator.running_gateway import DEFAULT_ADDRESS, NoGatewayError, web_address
from gateway.commands.output import Column, Grid, plain_lines, write, write_json
from gateway.commands.service.site_argument import load
from gateway.commands.technician.device import duration_of
from gateway.commands.technician.line_counts import Observed, observe_gateway, poll_lines, since_start
from gateway.commands.technician.line_guard import LineHeldError, gateway_address, held_by
from gateway.commissioning.duplicate_address import two_devices
from gateway.commissioning.line_findings import (
    Finding,
    InstrumentCounts,
    LineCounts,
    Weight,
    bound_text,
    judge_line,
    quantile_bound,
)
from gateway.display import printable
from gateway.errors import GatewayError, UsageError
from gateway.process.logs import set_up_logs
from gateway.settings.site import SiteSettings

__all__ = ["add_arguments", "execute"]

# What flickers by its last digit is one device: in SI, 50 mm or 0.05 degC, or two thousandths of the value.
_LEAST_MEANT = 0.05
_LEAST_PART = 0.002
_SHORTER_S = 1.0
"""Lines are begun within a moment of the gateway's start: nothing worth a word."""

_EPILOG = """Where a gateway runs, its own counts are read and nothing is sent to the instruments. With SITE and no
gateway the tool polls the lines itself for the time given, as one would. Exit code 1: something must be acted on.
Example: tank-gateway line-report --for "1 min"
         tank-gateway line-report site.yaml --line bus-a"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("site", metavar="SITE", nargs="?", help="site file (YAML), or `demo`")
    parser.add_argument(
        "--address",
        metavar="HOST:PORT",
        type=web_address,
        help=f"web address of a running gateway; default that of SITE, else {DEFAULT_ADDRESS}",
    )
    parser.add_argument("--line", metavar="NAME", help="this line only")
    parser.add_argument("--for", dest="length", metavar="TIME", default="10 s", help="how long to watch; default 10 s")
    parser.add_argument("--since-start", action="store_true", help="all that the running gateway has counted")
    parser.add_argument("--json", action="store_true", help="print it for a program")
    parser.set_defaults(gateway=None)


def execute(arguments: argparse.Namespace) -> int:
    window_s = duration_of("--for", arguments.length)
    site = None if arguments.site is None else load(arguments.site)
    if site is not None:
        _require_line(arguments.line, site.name, [line.name for line in site.lines])
    observed = _observed(arguments, site, window_s)
    lines = [line for line in observed.lines if arguments.line in (None, line.line)]
    _require_line(arguments.line, observed.site, [line.line for line in observed.lines])
    judged = [(line, [*judge_line(line), *_duplicates(line, observed)]) for line in lines]
    if arguments.json:
        write_json(_document(observed, judged))
    else:
        write(*_page(observed, judged))
    return 1 if any(finding.weight is Weight.ACT for _, findings in judged for finding in findings) else 0


def _require_line(wanted: str | None, site: str, names: Sequence[str]) -> None:
    if wanted is not None and wanted not in names:
        raise UsageError(f"site '{site}' has no line '{wanted}'", f"its lines: {', '.join(names)}")


def _observed(arguments: argparse.Namespace, site: SiteSettings | None, window_s: float) -> Observed:
    address = arguments.address or gateway_address(arguments, site)
    by_gateway_alone = arguments.address is not None or arguments.since_start
    try:
        counted = since_start(address)
        if site is None or counted.site == site.name:
            return counted if arguments.since_start else observe_gateway(address, window_s)
        if by_gateway_alone:
            text = f"the gateway at {address} watches site '{counted.site}', not '{site.name}'"
            raise UsageError(text, "say where its own gateway is with --address, or leave SITE out")
    except NoGatewayError as error:
        if site is None or not error.surely or by_gateway_alone:
            raise
    set_up_logs(errors_only=True, simulated=site.simulated)
    plans = [line for line in site.lines if arguments.line in (None, line.name)]
    _require_free(address, plans)
    return poll_lines(site, plans, window_s)


def _require_free(address: str, plans: Sequence[LinePlan]) -> None:
    """Raises GatewayError where a gateway polls one of the lines, or may: one of another version answers too, though
    not by what is asked here."""
    paths = [path for plan in plans for path in (plan.primary, plan.standby) if path is not None]
    hint = "stop that gateway first, or ask it by the tank-gateway that it was started with"
    try:
        held = held_by(address, *map(str, paths))
    except LineHeldError as error:
        error.hint = hint
        raise
    if held is not None:
        failure = GatewayError(f"the gateway at {held.gateway} polls these lines, and does not tell how they do")
        failure.hint = hint
        raise failure


def _duplicates(line: LineCounts, observed: Observed) -> list[Finding]:
    found = []
    for one in line.instruments:
        for (instrument, signal), (values, unit) in observed.values.items():
            # A contact may go to and fro as it likes.
            if instrument != one.instrument or set(values) <= {0.0, 1.0}:
                continue
            resolution = max(_LEAST_MEANT, _LEAST_PART * max(map(abs, values)))
            seen = two_devices(values, one.errors.get("bad_frame", 0), one.requests, resolution)
            if seen is not None:
                broken = ", and frames break" if seen.frames_break else ""
                found.append(
                    Finding(
                        Weight.ACT if seen.frames_break else Weight.LOOK,
                        instrument,
                        f"{signal} jumps to and fro between {seen.places.low:.4g} {unit} and "
                        f"{seen.places.high:.4g} {unit} ({seen.places.switches} times)"
                        f"{broken}: perhaps two devices have its unit number",
                        "switch the instrument off and see whether its number still answers: `tank-gateway scan`",
                    )
                )
                break
    return found


def _page(observed: Observed, judged: Sequence[tuple[LineCounts, Sequence[Finding]]]) -> list[str]:
    lines = [printable(f"site {observed.site}: {observed.source}{', SIMULATED' if observed.simulated else ''}")]
    for line, findings in judged:
        state = "connected" if line.connected else "NOT CONNECTED"
        if line.connected and line.on_standby:
            state += " over its second way"
        if line.connections_wanted > 1:
            state += f" ({line.connections_open} of {line.connections_wanted} connections)"
        if line.window_s < observed.window_s - _SHORTER_S:
            state += f", begun anew {line.window_s:.0f} s ago"
        lines += [
            "",
            f"line {line.line}: {state}, busy {min(line.occupancy, 1.0):.1%} of the time, "
            f"{line.late_answers} late answers, {line.unsolicited_frames} unsolicited frames",
            "",
            *(f"  {row}" for row in plain_lines(_grid(line))),
            "",
        ]
        lines += [
            f"  {each.weight.value.upper()} {each.subject} {each.what}. {_sentence(each.to_do)}" for each in findings
        ]
        if not findings:
            lines.append("  nothing looks wrong")
    return lines


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _grid(line: LineCounts) -> Grid:
    columns = (
        Column("instrument"),
        Column("requests", True),
        Column("answers", True),
        Column("half of them"),
        Column("95 %"),
        Column("slowest"),
        Column("errors"),
        Column("share of busy time", True),
    )
    return Grid(columns, tuple(_row(line, one) for one in line.instruments))


def _row(line: LineCounts, one: InstrumentCounts) -> tuple[str, ...]:
    errors = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in sorted(one.errors.items()))
    share = f"{min(1.0, one.answering_s / line.busy_s):.0%}" if line.busy_s > 0.0 and one.answers else "-"
    quantiles = (bound_text(quantile_bound(one.buckets, part), one.buckets) for part in (0.5, 0.95, 1.0))
    return (one.instrument, str(one.requests), str(one.answers), *quantiles, errors or "none", share)


def _document(observed: Observed, judged: Sequence[tuple[LineCounts, Sequence[Finding]]]) -> dict[str, Any]:
    return {
        "site": observed.site,
        "simulated": observed.simulated,
        "source": observed.source,
        "lines": [
            {
                "line": line.line,
                "connected": line.connected,
                "on_standby": line.on_standby,
                "connections_wanted": line.connections_wanted,
                "connections_open": line.connections_open,
                "window_s": line.window_s,
                "occupancy": min(line.occupancy, 1.0),
                "late_answers": line.late_answers,
                "unsolicited_frames": line.unsolicited_frames,
                "second_answers": line.second_answers,
                "shifts": line.shifts,
                "instruments": [
                    {
                        "instrument": one.instrument,
                        "requests": one.requests,
                        "answers": one.answers,
                        "errors": dict(one.errors),
                        "answers_within": [
                            {"seconds": None if bound == inf else bound, "answers": count}
                            for bound, count in one.buckets
                        ],
                    }
                    for one in line.instruments
                ],
                "findings": [
                    {"weight": each.weight.value, "subject": each.subject, "what": each.what, "to_do": each.to_do}
                    for each in findings
                ],
            }
            for line, findings in judged
        ],
    }
