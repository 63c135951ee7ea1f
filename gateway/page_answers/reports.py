"""Reports over HTTP: each made by a process of its own, one after the other, within bounds that are told in words."""

import asyncio
import pickle
import sys
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from gateway.errors import NotKeptError, UsageError
from gateway.page_answers.parts import Parts, made
from gateway.payload.plain import iso_time
from gateway.permits import READ_CHANGES, may
from gateway.report_books.books import scales_of
from gateway.report_books.forms import MEDIA_TYPES
from gateway.report_books.kinds import KINDS, Wanted
from gateway.report_books.order import OVERRIDES, Order, Refused, Written
from gateway.reports.report import CAUTIONS
from gateway.settings.reading.validation import suggestion
from gateway.web.interface.contract import BusyError, Call, Made, NobodyAskedError, NotAllowedError, UnknownError

__all__ = ["Reports"]

_MOST_WAITING = 4
_MADE_WITHIN_S = 30.0
"""Of one report, the start of its process included. Three who wait for it are within what a connection may take."""
_OVERRIDES_SUMMARY = "what stands in for a measurement, is in maintenance or hidden, now"
_OF_CHANGES = "changes"
_LARGEST_NUMBER = 10**9


class Reports:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._turn = asyncio.Lock()
        self._waiting = 0

    async def known(self, _: Call) -> Made:
        return made(
            {
                "schema": "tank-gateway/page-reports/1",
                "time": iso_time(self._parts.now()),
                "reports": [
                    *[{"name": name, "summary": kind.summary, "of": list(kind.of)} for name, kind in KINDS.items()],
                    {"name": OVERRIDES, "summary": _OVERRIDES_SUMMARY, "of": []},
                ],
                "forms": list(MEDIA_TYPES),
                "cautions": list(CAUTIONS),
            }
        )

    async def report(self, call: Call) -> Made:
        """Raises UnknownError, UsageError, BusyError, NotKeptError; of changes NobodyAskedError, NotAllowedError."""
        kind, form = self._named(call.path["file"])
        if kind == _OF_CHANGES and call.person is None:
            raise NobodyAskedError("who changed what is told to those who have signed in")
        if kind == _OF_CHANGES and call.person is not None and not may(call.person.role, READ_CHANGES):
            raise NotAllowedError(f"as {call.person.role.value} you may not read who changed what")
        wanted = _wanted(kind, call.query)
        if self._waiting >= _MOST_WAITING:
            raise BusyError(f"{_MOST_WAITING} reports are waited for already", "try again in a minute")
        self._waiting += 1
        try:
            async with self._turn:
                found = await _carried_out(await self._order(kind, form, wanted))
        finally:
            self._waiting -= 1
        if isinstance(found, Refused):
            if found.is_asked_wrongly:
                raise UsageError(found.text, found.hint)
            raise UnknownError(found.text, found.hint)
        return Made(found.body, MEDIA_TYPES[form], file_name=found.file_name)

    def _named(self, file: str) -> tuple[str, str]:
        kind, _, form = file.rpartition(".")
        known = [*KINDS, OVERRIDES]
        shown = "".join(each if each.isprintable() else "?" for each in file[:60])
        if form not in MEDIA_TYPES:
            raise UnknownError(f"'{shown}' is no file of a report", f"it ends in .{', .'.join(MEDIA_TYPES)}")
        if kind not in known:
            raise UnknownError(f"there is no report '{shown}'", suggestion(kind[:60], known))
        return kind, form

    async def _order(self, kind: str, form: str, wanted: Wanted) -> Order:
        parts, settings = self._parts, self._parts.site()
        status = parts.keeping.status()
        # Also says why, where there is none to be read; and what was taken in by now is to be in it.
        await parts.read(lambda _: None)
        assert status is not None
        in_force: Mapping[str, Any] | None = None
        if kind == OVERRIDES:
            in_force = await parts.acting.act({"action": "list"}, "")
        return Order(
            kind,
            form,
            wanted,
            Path(status.file),
            settings.name,
            settings.account,
            settings.reports,
            settings.simulated,
            scales_of(settings.tanks),
            in_force,
        )


def _wanted(kind: str, query: Mapping[str, str]) -> Wanted:
    """Raises UsageError."""
    of = KINDS[kind].of if kind in KINDS else ()
    for name in query:
        if name not in of:
            raise UsageError(
                f"{name} is nothing of report {kind}", f"it takes {', '.join(of) or 'none: it is about now'}"
            )
    if "day" in query and "month" in query:
        raise UsageError("day and month are given both", "give one of them")
    return Wanted(
        query.get("day"),
        query.get("month"),
        _number("revision", query.get("revision")),
        _number("ticket", query.get("ticket")),
    )


def _number(name: str, text: str | None) -> int | None:
    if text is None:
        return None
    if not (text.isascii() and text.isdigit() and 0 < int(text[:12]) <= _LARGEST_NUMBER):
        raise UsageError(f"{name}: '{text}' is no number", "give for example 12")
    return int(text)


async def _carried_out(order: Order) -> Written | Refused:
    """Raises NotKeptError where nothing came of it in time."""
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "gateway.report_books.child",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(_MADE_WITHIN_S):
            out, told = await child.communicate(pickle.dumps(order))
    except TimeoutError:
        text = f"the report was not made within {_MADE_WITHIN_S:g} s"
        raise _not_made(text, "ask for a day, or make it with `tank-gateway report`") from None
    finally:
        if child.returncode is None:
            with suppress(ProcessLookupError):
                child.kill()
            await child.wait()
    if child.returncode != 0:
        last = told.decode("utf-8", "replace").strip().splitlines()[-1:] or [f"exit code {child.returncode}"]
        raise _not_made(f"the report could not be made: {last[0][:200]}", "`tank-gateway report` tells more")
    found: Written | Refused = pickle.loads(out)
    return found


def _not_made(text: str, hint: str) -> NotKeptError:
    error = NotKeptError(text)
    error.hint = hint
    return error
