"""Where the log goes and how it looks: lines for people on a terminal, JSON for a journal."""

import logging
import os
import sys
from typing import TextIO, cast

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

__all__ = ["set_up_logs"]


class _StandardError:
    """Whatever stands for standard error at the moment: a live table puts itself before it for as long as it is up."""

    def write(self, text: str) -> int:
        return sys.stderr.write(text)

    def flush(self) -> None:
        sys.stderr.flush()


def set_up_logs(log_format: str = "auto", *, simulated: bool = False, errors_only: bool = False) -> None:
    """Send structlog to standard error. `auto` is text on a terminal and JSON elsewhere.

    With `simulated` every line says SIMULATED. What libraries log is heard from warnings up.
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


def _mark_simulated(_logger: WrappedLogger, _method: str, event: EventDict) -> EventDict:
    event["simulated"] = "SIMULATED"
    return event
