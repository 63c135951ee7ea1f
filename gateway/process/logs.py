"""Where the log goes and how it looks: lines for people on a terminal, JSON for a journal.

A gateway's log waits in a bounded queue (`standard_streams`), so that nothing which is done with it, or not done, can
hold up the gateway.
"""

import logging
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, TextIO, cast

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

from gateway.process.bounded_writer import Dropped
from gateway.process.standard_streams import UnblockedStream, is_journal, prioritised

__all__ = ["set_up_logs"]

LINES_DROPPED = "log.lines_dropped"

# sd-daemon(3), after syslog(3).
_PRIORITIES = {"critical": 2, "error": 3, "exception": 3, "warning": 4, "warn": 4, "info": 6, "debug": 7}


class _StandardError:
    """Whatever stands for standard error at the moment: a live table puts itself before it for as long as it is up.

    A log line that cannot be written ends nothing, a tool neither.
    """

    def write(self, text: str) -> int:
        with suppress(OSError):
            sys.stderr.write(text)
        return len(text)

    def flush(self) -> None:
        with suppress(OSError):
            sys.stderr.flush()


def set_up_logs(log_format: str = "auto", *, simulated: bool = False, errors_only: bool = False) -> Callable[[], int]:
    """Send structlog to standard error. `auto` is text on a terminal and JSON elsewhere.

    With `simulated` every line says SIMULATED. What libraries log is heard from warnings up. Where the system's journal
    reads, each line bears its priority. Returns what counts the lines that had to be dropped.
    """
    out = cast("TextIO", _StandardError())
    as_json = log_format == "json" or (log_format == "auto" and not sys.stderr.isatty())
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    if simulated:
        shared.append(_mark_simulated)
    renderer: list[Processor]
    if as_json:
        renderer = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    else:
        renderer = [
            structlog.dev.ConsoleRenderer(
                colors=sys.stderr.isatty() and not os.environ.get("NO_COLOR"),
                # The other formatters print local variables, among which may be a secret.
                exception_formatter=structlog.dev.plain_traceback,
            )
        ]
    if is_journal(sys.stderr):
        renderer = [_Prioritised(renderer)]
    structlog.configure(
        processors=[*shared, *renderer],
        wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR if errors_only else logging.INFO),
        logger_factory=structlog.WriteLoggerFactory(out),
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *renderer],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    return _dropped_lines(sys.stderr, [*shared, *renderer])


class _Prioritised:
    """The last processors of a chain, whose text gets the priority of the level it is logged with."""

    def __init__(self, renderer: Sequence[Processor]) -> None:
        self._renderer = renderer

    def __call__(self, logger: WrappedLogger, method: str, event: EventDict) -> str:
        rendered: Any = event
        for processor in self._renderer:
            rendered = processor(logger, method, rendered)
        return prioritised(str(rendered), _PRIORITIES.get(method, _PRIORITIES["info"]))


def _dropped_lines(stream: object, processors: Sequence[Processor]) -> Callable[[], int]:
    """What counts them; from now on they are told of as these processors put it."""
    if not isinstance(stream, UnblockedStream):
        return lambda: 0  # it waits until each is written
    writer = stream.writer

    def notice(dropped: Dropped) -> str:
        rendered: Any = {
            "event": LINES_DROPPED,
            "lines": dropped.lines,
            "first": dropped.first.isoformat(),
            "last": dropped.last.isoformat(),
            "hint": "nobody read the log, or its disk was full",
        }
        for processor in processors:
            rendered = processor(None, "warning", rendered)
        return f"{rendered}\n"

    writer.notice = notice
    return lambda: writer.dropped


def _mark_simulated(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    event["simulated"] = "SIMULATED"
    return event
