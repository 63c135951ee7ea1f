"""What is asked about the site file over HTTP, answered: for administrators alone."""

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import orjson

from gateway.actions.answers import refused
from gateway.cautions import METHODS, MONITORING, NOT_FOR_CUSTODY, TABLES
from gateway.changes import changes_between, refuse_another_site
from gateway.errors import GatewayError, SettingsError, UsageError
from gateway.files import text_of
from gateway.page_answers.parts import Parts, made
from gateway.payload.plain import iso_time
from gateway.permits import SITE_FILE, may
from gateway.process.one_thread import OneThread, done_within
from gateway.settings import SiteSettings
from gateway.settings.reading.source_files import SourceFile, sha256_of
from gateway.site_desk.checking import Candidate, Checked, check, table_name_trouble
from gateway.site_desk.desk import SiteDesk
from gateway.site_desk.figures import Pair, compared, pairs
from gateway.site_desk.page import beside_documents, change_of, mistake_documents, proposal_document
from gateway.site_desk.proposal import Change, Proposal, Version
from gateway.site_desk.tables import proposed_tables, table_document
from gateway.web.interface.contract import (
    JSON_TYPE,
    BusyError,
    Call,
    Handler,
    Made,
    NobodyAskedError,
    NotAllowedError,
    UnknownError,
)

__all__ = ["SiteAnswers"]

_CHECKED_WITHIN_S = 50.0
_MOST_TABLES = 20
_LONGEST_WHY = 500
CAUTIONS = (TABLES, MONITORING, NOT_FOR_CUSTODY, METHODS)
T = TypeVar("T")


class SiteAnswers:
    """From the gateway's loop."""

    def __init__(self, parts: Parts, desk: SiteDesk) -> None:
        self._parts = parts
        self._desk = desk
        self._thread = OneThread("site check")
        self._is_busy = False

    def handlers(self) -> Mapping[str, Handler]:
        """By the names of their endpoints."""
        return {
            "site-file": self.page,
            "site-file-proposal": self.proposal,
            "site-file-version": self.version,
            "site-file-check": self.check,
            "site-file-table": self.table,
            "site-file-propose": self.propose,
            "site-file-roll-back": self.roll_back,
            "site-file-approve": self.approve,
            "site-file-decline": self.decline,
        }

    # What is there

    async def page(self, call: Call) -> Made:
        _administrator(call)
        parts, desk = self._parts, self._desk
        settings = parts.site()
        source = settings.files.read[0]
        trouble, hint = desk.trouble()
        text, on_disk, why_not = None, "", trouble
        proposals: list[Proposal] = []
        versions: list[Version] = []
        last: Change | None = None
        if desk.source is not None and desk.source.folder is not None:
            store = desk.store
            proposals, versions = await desk.on_disk(lambda: (store.proposals()[::-1], store.versions()[::-1]))
            try:
                data = await desk.present()
                text, on_disk, why_not = data.decode("utf-8", "replace"), sha256_of(data), ""
                last = await desk.on_disk(store.last_change)
            except GatewayError as error:
                why_not = str(error)
        differs = bool(on_disk) and on_disk != source.sha256
        return made(
            {
                "schema": "tank-gateway/page-site-file/1",
                "time": iso_time(parts.now()),
                "simulated": settings.simulated,
                "path": str(source.path),
                "in_force": {
                    "text": settings.files.first,
                    "sha256": source.sha256,
                    "size": source.size,
                    "since": iso_time(desk.since),
                    **change_of(last, source.sha256),
                },
                "on_disk": {"text": text, "sha256": on_disk, "differs": differs, "trouble": why_not},
                "beside": await self._beside(settings),
                "may_write": not trouble,
                "trouble": trouble,
                "hint": hint,
                "proposals": [
                    proposal_document(each, fits=each.based_on == on_disk)
                    for each in proposals
                    if each.state != "waits" or desk.waits(each)
                ],
                "versions": [each._asdict() for each in versions],
                "is_settled": desk.is_settled,
                "cautions": list(CAUTIONS),
            }
        )

    async def _beside(self, settings: SiteSettings) -> list[dict[str, Any]]:
        files: tuple[SourceFile, ...] = settings.files.read[1:]
        return await self._desk.on_disk(partial(beside_documents, files))

    async def proposal(self, call: Call) -> Made:
        by = _administrator(call)
        proposal = await self._desk.waiting(int(call.path["number"]))
        candidate = Candidate(proposal.text, proposal.tables)
        checked, told = await self._alone(partial(self._told, candidate))
        new = () if checked.settings is None else checked.settings.tanks
        present = {tank.plan.tank: tank.plan.capacity for tank in self._parts.pipeline.watched()}
        file, _ = self._source()
        tables = await self._in_thread(partial(proposed_tables, file, proposal.tables, new, present))
        on_disk = sha256_of(await self._desk.present())
        return made(
            {
                "schema": "tank-gateway/page-site-proposal/1",
                "proposal": proposal_document(proposal, fits=proposal.based_on == on_disk),
                "text": proposal.text,
                "tables": dict(proposal.tables),
                "check": told,
                "new_tables": tables,
                **self._desk.told_to(proposal, by),
            }
        )

    async def version(self, call: Call) -> Made:
        _administrator(call)
        number = int(call.path["number"])
        document, data = await self._version(number)
        text = data.decode("utf-8-sig", "replace")
        return made({"schema": "tank-gateway/page-site-version/1", "version": document, "text": text})

    async def _version(self, number: int) -> tuple[dict[str, Any], bytes]:
        store = self._desk.store
        found = await self._desk.on_disk(
            lambda: (next((each for each in store.versions() if each.number == number), None), store.text_of(number))
        )
        version, data = found
        if version is None or data is None or sha256_of(data) != version.sha256:
            raise UnknownError(f"there is no version {number}, or no longer", "look at the list of versions")
        return version._asdict(), data

    # What would be

    async def check(self, call: Call) -> Made:
        _administrator(call)
        candidate = _candidate(call.body)
        _, told = await self._alone(partial(self._told, candidate))
        return made(told)

    async def table(self, call: Call) -> Made:
        _administrator(call)
        body = call.body
        _only(body, "tank", "name", "text")
        tank, name, text = (_text(body, key) for key in ("tank", "name", "text"))
        if (trouble := table_name_trouble(name)) != "":
            raise UsageError(f"name: {trouble}")
        try:
            setup = self._parts.acting.setup(tank)
        except KeyError:
            raise UnknownError(f"there is no tank '{_shown(tank)}' on this site") from None
        file, looks = self._source()
        document = await self._alone(lambda: self._in_thread(partial(table_document, file, name, text, setup, looks)))
        return made({"time": iso_time(self._parts.now()), **document, "cautions": list(CAUTIONS)})

    async def _told(self, candidate: Candidate) -> tuple[Checked, dict[str, Any]]:
        """As it is checked, and the document of it."""
        parts = self._parts
        file, looks = self._source()
        old = parts.site()
        checked = await self._in_thread(partial(check, file, candidate, old.files.read, parts.now(), looks))
        changes: tuple[str, ...] = ()
        found: list[Pair] = []
        same = 0
        if checked.settings is not None:
            new = checked.settings
            try:
                refuse_another_site(old, new, str(file))
                setups = await self._in_thread(parts.acting.as_by(new))
            except SettingsError as error:
                checked = checked._replace(settings=None, mistakes=error.mistakes)
            else:
                told = await self._in_thread(partial(changes_between, old, new))
                changes = told.sentences
                found, same = await pairs(parts.pipeline, new, setups, told)
        tanks = await self._in_thread(lambda: [compared(pair) for pair in found])
        document = {
            "schema": "tank-gateway/page-site-check/1",
            "time": iso_time(parts.now()),
            "simulated": old.simulated,
            "well": checked.settings is not None,
            "sha256": candidate.sha256,
            "mistakes": mistake_documents(checked.mistakes, str(file)),
            "warnings": list(checked.warnings),
            "remarks": list(checked.remarks),
            "changes": list(changes),
            "tanks": tanks,
            "unchanged": same,
            "cautions": list(CAUTIONS),
        }
        return checked, document

    # What is done

    async def propose(self, call: Call) -> Made:
        by = _administrator(call)
        body = call.body
        _only(body, "text", "tables", "why", "based_on")
        why, based_on = _why(body), _text(body, "based_on")
        return await self._proposed(call, _candidate(body, "why", "based_on"), based_on, by, why, 0)

    async def roll_back(self, call: Call) -> Made:
        by = _administrator(call)
        body = call.body
        _only(body, "version", "why")
        number, why = _number(body, "version"), _why(body)
        _, data = await self._version(number)
        based_on = sha256_of(await self._desk.present())
        return await self._proposed(
            call, Candidate(text_of(Path(f"version {number}"), data), {}), based_on, by, why, number
        )

    async def _proposed(self, call: Call, candidate: Candidate, based_on: str, by: str, why: str, version: int) -> Made:
        checked, told = await self._alone(partial(self._told, candidate))
        if checked.settings is None:
            return _answer(refused(2, checked.mistakes, "nothing was proposed: put all of it right first"))
        changes = told["changes"]
        return _answer(await self._desk.propose(candidate, checked, based_on, by, why, changes, version, call.stands))

    async def approve(self, call: Call) -> Made:
        by = _administrator(call)
        body = call.body
        _only(body, "proposal", "sha256", "why")
        why = _why(body) if "why" in body else ""
        proposal = await self._desk.waiting(_number(body, "proposal"))
        if proposal.sha256 != _text(body, "sha256"):
            raise UsageError("sha256: is not that of this proposal", "look at what it proposes before approving it")
        checked, _ = await self._alone(partial(self._told, Candidate(proposal.text, proposal.tables)))
        if checked.settings is None:
            return _answer(refused(2, checked.mistakes, "it cannot be approved as things stand now"))
        return _answer(await self._desk.approve(proposal, checked, by, why, call.stands))

    async def decline(self, call: Call) -> Made:
        by = _administrator(call)
        body = call.body
        _only(body, "proposal", "why")
        return _answer(await self._desk.decline(_number(body, "proposal"), by, _why(body), call.stands))

    # Its parts

    def _source(self) -> tuple[Path, Any]:
        source = self._desk.source
        if source is None:
            text, hint = self._desk.trouble()
            error = GatewayError(text)
            error.hint = hint
            raise error
        return source.file, source.looks

    async def _alone(self, work: Callable[[], Any]) -> Any:
        """One at a time, as it takes its time. Raises BusyError."""
        if self._is_busy:
            raise BusyError("another site file is being checked at this moment", "try again in some seconds")
        self._is_busy = True
        try:
            return await work()
        finally:
            self._is_busy = False

    async def _in_thread(self, call: Callable[[], T]) -> T:
        future = self._thread.do(call)
        if not await done_within(future, _CHECKED_WITHIN_S):
            raise BusyError(f"it could not be checked within {_CHECKED_WITHIN_S:g} s", "see to disk and processor")
        return future.result()


def _administrator(call: Call) -> str:
    """How he signs. Raises NobodyAskedError, NotAllowedError."""
    if call.person is None:
        raise NobodyAskedError("the site file is for administrators who have signed in")
    if not may(call.person.role, SITE_FILE):
        raise NotAllowedError(f"as {call.person.role.value} you may not see or change the site file")
    return call.person.signature


def _candidate(body: Mapping[str, Any], *others: str) -> Candidate:
    """Raises UsageError."""
    _only(body, "text", "tables", *others)
    tables = body.get("tables", {})
    if not isinstance(tables, dict) or not all(isinstance(each, str) for each in tables.values()):
        raise UsageError("tables: give an object of texts, each by the name of its file")
    if len(tables) > _MOST_TABLES:
        raise UsageError(f"tables: there are {len(tables)}; {_MOST_TABLES} at once are the most")
    for name in tables:
        if (trouble := table_name_trouble(name)) != "":
            raise UsageError(f"tables: {trouble}")
    return Candidate(_text(body, "text"), tables)


def _only(body: Mapping[str, Any], *names: str) -> None:
    for name in body:
        if name not in names:
            raise UsageError(f"'{_shown(name)}' is nothing that is asked for here", f"it may be {', '.join(names)}")


def _text(body: Mapping[str, Any], name: str) -> str:
    found = body.get(name)
    if not isinstance(found, str):
        raise UsageError(f"{name}: is missing, or no text")
    return found


def _number(body: Mapping[str, Any], name: str) -> int:
    found = body.get(name)
    if not isinstance(found, int) or isinstance(found, bool) or not 1 <= found < 10**6:
        raise UsageError(f"{name}: give its number")
    return found


def _why(body: Mapping[str, Any]) -> str:
    why = _text(body, "why").strip()
    if not why or len(why) > _LONGEST_WHY or not why.isprintable():
        raise UsageError(f"why: give a line of 1 to {_LONGEST_WHY} characters, for whoever reads the audit trail")
    return why


def _shown(text: str) -> str:
    return "".join(each if each.isprintable() else "?" for each in text[:80])


def _answer(answer: Mapping[str, Any]) -> Made:
    return Made(orjson.dumps({"hint": "", **answer}), JSON_TYPE, {0: 200, 1: 409, 2: 422}[answer["code"]])
