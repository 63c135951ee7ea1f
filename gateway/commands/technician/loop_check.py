"""`loop-check`: a current is fed into a 4-20 mA loop, and what the registers make of it is judged and recorded."""

import argparse
import math
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

from gateway.acquisition.signals.register_map import Signal
from gateway.commands.output import Column, Grid, plain_lines, write
from gateway.commands.service.site_argument import add_site, load
from gateway.commands.technician.device import Device, duration_of, quantity_of, site_device
from gateway.commands.technician.line_guard import add_guard
from gateway.commands.technician.verification_record import (
    NOT_FISCAL,
    check_folder,
    file_stem,
    instant_text,
    show_and_keep,
)
from gateway.commands.technician.word_source import SignalWords, WordSource, signal_of, word_source
from gateway.commissioning.current_loop import LoopPoint, judge_loop, judge_point
from gateway.display import printable
from gateway.errors import UsageError
from gateway.units.quantity import Dimension

__all__ = ["add_arguments", "execute"]

_SCHEMA = "tank-gateway/loop-check/1"
_USUAL_MA = (4.0, 12.0, 20.0)
"""Zero, middle and end of the span: what a loop is tried at (common practice)."""
_CAUTION = (
    "Tell the control room first: every user of this signal, a control or protection system too, will see the current "
    "fed.\nIn a hazardous area do not open enclosures without a permit; use a certified calibrator. "
    "Work on loops belongs to competent, where required licensed, people."
)
_EPILOG = f"""On a terminal it asks for each current. Elsewhere give one --at, or --pause to change the current in.
Reads only: where a running gateway polls the instrument, its newest words are taken instead of asking a second time.
Example: tank-gateway loop-check site.yaml IO-BO5 innage --by "A. Smith" --calibrator CAL-7
{_CAUTION}"""


class _Checked(NamedTuple):
    point: LoopPoint
    words: tuple[SignalWords, ...]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    add_site(parser)
    parser.add_argument("instrument", metavar="INSTRUMENT", help="tag of the instrument in the site file")
    parser.add_argument("signal", metavar="SIGNAL", help="name of its current-loop signal")
    parser.add_argument("--by", metavar="NAME", required=True, help="who feeds the current")
    parser.add_argument("--calibrator", metavar="ID", help="what feeds it")
    parser.add_argument(
        "--at", metavar="CURRENT", action="append", help="a current that is fed; default 4 mA, 12 mA and 20 mA in turn"
    )
    parser.add_argument("--tolerance", metavar="RATIO", default="0.5 %", help="of the span; default 0.5 %%")
    parser.add_argument("--reads", type=int, metavar="N", default=5, help="reads at each current; default 5")
    parser.add_argument("--every", metavar="TIME", default="1 s", help="between reads; default 1 s")
    parser.add_argument("--pause", metavar="TIME", help="do not ask: wait so long before each current")
    parser.add_argument("--folder", metavar="DIR", default=".", help="where the record goes; default here")
    parser.add_argument("--json", action="store_true", help="print the record for a program")
    parser.set_defaults(timeout=None)
    add_guard(parser)


def execute(arguments: argparse.Namespace) -> int:
    site = load(arguments.site)
    device = site_device(site, arguments.instrument)
    assert device.instrument is not None
    signal = signal_of(device.instrument, arguments.signal)
    if signal.loop is None:
        loops = [each.name for each in device.instrument.map.signals if each.loop is not None]
        hint = f"its current loops: {', '.join(loops)}" if loops else "this instrument has none"
        raise UsageError(f"signal '{signal.name}' of {device.instrument.tag} is not a current loop", hint)
    currents = _currents(arguments)
    tolerance = quantity_of("--tolerance", arguments.tolerance, Dimension.RATIO)
    every_s = duration_of("--every", arguments.every)
    if not 0.0 < tolerance < 1.0 or arguments.reads < 1:
        raise UsageError("--tolerance or --reads is not above zero", "give for example --tolerance '0.5 %' --reads 5")
    pause_s = None if arguments.pause is None else duration_of("--pause", arguments.pause)
    asks = pause_s is None and sys.stdin.isatty()
    if len(currents) > 1 and not asks and pause_s is None:
        raise UsageError(
            "there is no terminal to ask for the next current on", "give one --at, or --pause to change the current in"
        )
    check_folder(arguments.folder)
    source = word_source(arguments, device, signal)
    begun = datetime.now(UTC)
    if not arguments.json:
        write(_CAUTION, "")
    checked = []
    for current in currents:
        _wait_for(current, pause_s, asks=asks)
        words = tuple(source.read(arguments.reads, every_s))
        point = judge_point(signal, current, [each.raw for each in words], tolerance)
        checked.append(_Checked(point, words))
        if not arguments.json:
            write(
                f"{current:g} mA: {point.mean_ma:.3f} mA read, {'passed' if point.passed else f'FAILED: {point.why}'}"
            )
    return _conclude(arguments, device, signal, source, begun, checked, tolerance)


def _currents(arguments: argparse.Namespace) -> list[float]:
    texts: Sequence[str] = arguments.at or ("4 mA", "12 mA", "20 mA")
    currents = [quantity_of("--at", text, Dimension.CURRENT) * 1000.0 for text in texts]
    for text, current in zip(texts, currents, strict=True):
        if not 3.8 <= current <= 20.5:
            raise UsageError(
                f"--at: {text} is outside what a loop measures (NAMUR NE 43: 3.8 to 20.5 mA)", "give for example 12 mA"
            )
    # A current typed in mA comes back as it was typed.
    return [round(current, 9) for current in currents]


def _wait_for(current: float, pause_s: float | None, *, asks: bool) -> None:
    if asks:
        sys.stdout.write(f"Feed {current:g} mA, wait until it is steady, then press Enter: ")
        sys.stdout.flush()
        sys.stdin.readline()
    elif pause_s is not None:
        sys.stderr.write(f"feed {current:g} mA: reading in {pause_s:g} s\n")
        time.sleep(pause_s)


def _conclude(
    arguments: argparse.Namespace,
    device: Device,
    signal: Signal,
    source: WordSource,
    begun: datetime,
    checked: Sequence[_Checked],
    tolerance: float,
) -> int:
    passed, verdict = judge_loop([each.point for each in checked])
    document = _document(arguments, device, signal, source, begun, checked, tolerance)
    fed = {each.point.fed_ma for each in checked}
    not_tried = [current for current in _USUAL_MA if current not in fed]
    document |= {"passed": passed, "verdict": verdict, "not_tried_ma": not_tried}
    lines = _lines(document, checked)
    stem = file_stem("loop-check", f"{arguments.instrument}-{signal.name}", begun)
    if not arguments.json:
        write("")
    show_and_keep(arguments, stem, document, lines)
    return 0 if passed else 1


def _document(
    arguments: argparse.Namespace,
    device: Device,
    signal: Signal,
    source: WordSource,
    begun: datetime,
    checked: Sequence[_Checked],
    tolerance: float,
) -> dict[str, Any]:
    assert signal.loop is not None
    assert device.site is not None
    return {
        "schema": _SCHEMA,
        "site": device.site.name,
        "simulated": device.site.simulated,
        "instrument": arguments.instrument,
        "signal": signal.name,
        "by": arguments.by,
        "calibrator": arguments.calibrator,
        "time": instant_text(begun),
        "words_from": source.text,
        "span": {"at_4_ma": signal.loop.low, "at_20_ma": signal.loop.high, "unit": signal.unit},
        "tolerance": tolerance,
        "points": [_point(each) for each in checked],
    }


def _point(checked: _Checked) -> dict[str, Any]:
    point = checked.point
    return {
        "fed_ma": point.fed_ma,
        "expected": point.expected,
        "mean_ma": _finite(point.mean_ma),
        "error": _finite(point.error),
        "spread": _finite(point.spread),
        "passed": point.passed,
        "why": point.why or None,
        "reads": [
            {
                "time": instant_text(words.time),
                "raw": list(words.raw),
                "milliampere": _finite(reading.milliampere),
                "value": reading.value,
                "quality": reading.quality.word,
            }
            for reading, words in zip(point.readings, checked.words, strict=True)
        ],
    }


def _not_tried(currents: Sequence[float]) -> list[str]:
    if not currents:
        return []
    listed = ", ".join(f"{current:g} mA" for current in currents)
    return [f"Not tried: {listed}. What was found says nothing of the loop there."]


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None


def _lines(document: dict[str, Any], checked: Sequence[_Checked]) -> list[str]:
    columns = (
        Column("fed mA", True),
        Column(f"expected {document['span']['unit']}".rstrip(), True),
        Column("read mA", True),
        Column(f"value {document['span']['unit']}".rstrip(), True),
        Column("error of span", True),
        Column("raw words"),
        Column("quality"),
    )
    rows = []
    for each in checked:
        for reading in each.point.readings:
            error = (reading.milliampere - each.point.fed_ma) / 16.0
            rows.append(
                (
                    f"{each.point.fed_ma:g}",
                    f"{each.point.expected:.4g}",
                    f"{reading.milliampere:.3f}",
                    "-" if reading.value is None else f"{reading.value:.4g}",
                    f"{error:+z.2%}",
                    " ".join(f"{word:04X}" for word in reading.raw),
                    reading.quality.word,
                )
            )
    marks = ["SIMULATED: no real loop"] if document["simulated"] else []
    calibrator = f", calibrator {document['calibrator']}" if document["calibrator"] else ""
    return [
        f"Loop check of {document['instrument']} {document['signal']}, site {document['site']}",
        *marks,
        printable(f"{document['time']}, by {document['by']}{calibrator}"),
        f"words from {document['words_from']}; tolerance {document['tolerance']:.2%} of the span",
        "",
        *plain_lines(Grid(columns, tuple(rows))),
        "",
        f"{'PASSED' if document['passed'] else 'FAILED'}: {document['verdict']}",
        *_not_tried(document["not_tried_ma"]),
        *(f"  {each.point.fed_ma:g} mA: {each.point.why}" for each in checked if each.point.why),
        NOT_FISCAL,
    ]
