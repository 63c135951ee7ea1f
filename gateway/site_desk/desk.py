"""What is done about the site file, one after the other: proposed, declined, approved and taken over, told and kept.

A change is made by a loop of the gateway and not by the request that asks for it: a reload may end the very server that
was asked. Nobody's polling waits for any of it.
"""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import structlog

from gateway.actions.answers import audit_body, refused, well
from gateway.errors import GatewayError
from gateway.page_answers.parts import Parts, ns_of
from gateway.permits import SITE_FILE
from gateway.process.memory_file import file_name
from gateway.process.one_thread import OneThread, done_within
from gateway.process.progress import CameRound, nobody_asks
from gateway.process.standing import refuse_who_is_out
from gateway.settings.reading.source_files import sha256_of
from gateway.site_desk.checking import Candidate, Checked
from gateway.site_desk.proposal import Change, Proposal, Step, waits_at
from gateway.site_desk.replacing import Replacing, write_trouble
from gateway.site_desk.source import Reloading, SiteSource
from gateway.site_desk.store import Store
from gateway.site_desk.waiting import Brief, WaitingNow, kept_proposal
from gateway.two_people import count_of, in_the_way, signed, ties, told_to
from gateway.web.interface.contract import BusyError, UnknownError

__all__ = ["SiteDesk"]

PROPOSED = "site_file.proposed"
DECLINED = "site_file.declined"
REPLACED = "site_file.replaced"
NOT_REPLACED = "site_file.not_replaced"
NOT_SETTLED = "site_file.not_settled"

_DISK_S = 10.0
_AUDIT_S = 5.0
_TURN_S = 1.0
_AGAIN_S = 10.0
_OWN_FILE = "this gateway was not started on a site file of its own, and nothing can be put in the place of this one"
_START = "start it by `tank-gateway run FILE`"
_NO_STATE = "there is no state directory, in which proposals and the files of before would be kept"
_GIVE_STATE = "give a directory in TANK_GATEWAY_STATE, or StateDirectory= to systemd"
_NO_LEDGER = "this gateway keeps no ledger, so that nothing would say who changed the site file"
_WITH_LEDGER = "leave out `enabled: no` of `ledger`, and give it a state directory or a file"
T = TypeVar("T")
Stands = Callable[[], bool]
"""Whether whoever asks may still: a check takes its time, and so does the turn of a reload."""


class _Opened(NamedTuple):
    file: Path
    store: Store
    replacing: Replacing
    reloader: Reloading
    waiting: WaitingNow


class SiteDesk:
    """From the gateway's loop."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self.source: SiteSource | None = None
        self.since = parts.now()
        """Since when the gateway goes by what it goes by, as far as this process knows."""
        self.is_settled = False
        """Whether it is known and kept what has come of the last change."""
        self._opened: _Opened | None = None
        self._known_sha = ""
        self._disk = OneThread("site file on disk")
        self._jobs: asyncio.Queue[Callable[[], Awaitable[None]]] = asyncio.Queue()
        self._log = structlog.get_logger("gateway.site_file")

    def open(self, source: SiteSource) -> None:
        """Before `run`."""
        self.source = source
        if source.folder is not None:
            store = Store(source.folder / f"{file_name(self._parts.site().name)}.site-file")
            self._opened = _Opened(
                source.file, store, Replacing(source.file, store), source.reloader, WaitingNow(store)
            )

    async def run(self, came_round: CameRound = nobody_asks) -> None:
        """Until cancelled."""
        settle_after_s = look_after_s = 0.0
        loop = asyncio.get_running_loop()
        while True:
            came_round(_TURN_S)
            self._look()
            if not self.is_settled and loop.time() >= settle_after_s:
                settle_after_s = loop.time() + _AGAIN_S
                await self._settle()
            if self._opened is not None and loop.time() >= look_after_s:
                try:
                    await self._opened.waiting.look(self.on_disk)
                except GatewayError:
                    look_after_s = loop.time() + _AGAIN_S
            with suppress(TimeoutError):
                job = await asyncio.wait_for(self._jobs.get(), _TURN_S)
                await job()

    @property
    def in_force(self) -> str:
        """SHA-256 of the site file that the gateway goes by."""
        return self._parts.site().files.read[0].sha256

    def trouble(self) -> tuple[str, str]:
        """Why the site file cannot be replaced from here, and what would let it; empty texts where it can."""
        if self.source is None:
            return _OWN_FILE, _START
        if self._opened is None:
            return _NO_STATE, _GIVE_STATE
        if not self._parts.keeping.keeps_papers or self._parts.keeping.is_refused:
            return _NO_LEDGER, _WITH_LEDGER
        return write_trouble(self._opened.file)

    async def on_disk(self, call: Callable[[], T]) -> T:
        """Raises GatewayError, also for what the disk refuses."""
        future = self._disk.do(call)
        if not await done_within(future, _DISK_S):
            raise GatewayError(f"the disk does not answer within {_DISK_S:g} s")
        try:
            return future.result()
        except OSError as error:
            raise GatewayError(f"the disk refuses it: {error.strerror or error}") from error

    @property
    def store(self) -> Store:
        return self._of_own().store

    async def present(self) -> bytes:
        """The file as it lies on the disk. Raises GatewayError."""
        return await self.on_disk(self._of_own().replacing.present)

    async def waiting(self, number: int) -> Proposal:
        """Raises UnknownError where there is none of that number, or it waits no more."""
        proposal = await self.on_disk(partial(self.store.proposal, number))
        if proposal is None or not self.waits(proposal):
            raise UnknownError(f"proposal {number} does not wait, or no longer", "look at the list of proposals")
        return proposal

    def waits(self, proposal: Proposal) -> bool:
        return waits_at(proposal, self._parts.now())

    def briefs(self) -> list[Brief]:
        """What waits, as it was looked at a moment ago. Cheap."""
        return [] if self._opened is None else self._opened.waiting.briefs(self._parts.now())

    # What people ask for

    async def propose(
        self,
        candidate: Candidate,
        checked: Checked,
        based_on: str,
        by: str,
        why: str,
        told: Sequence[str],
        version: int,
        stands: Stands,
    ) -> dict[str, Any]:
        """`checked`: without a mistake; `told`: what it would change. Raises GatewayError."""
        self._refuse_where_it_cannot_be()
        present = await self.present()
        if sha256_of(present) != based_on:
            raise _fault(
                "the file on the disk is another than the one on which this was written",
                "load it anew, and write on that",
            )
        if candidate.sha256 == based_on:
            raise GatewayError("this is what lies on the disk already: nothing would change")
        refuse_who_is_out(stands)
        kept = await self.on_disk(
            partial(
                kept_proposal,
                self.store,
                candidate,
                dict(checked.beside),
                told,
                based_on,
                by=by,
                why=why,
                version=version,
                given=count_of(self._parts.acting.given()),
                now=self._parts.now(),
            )
        )
        self._log.info(PROPOSED, by=by, number=kept.number, sha256=kept.sha256)
        asked = {"action": "propose-site-file", "proposal": kept.number, "version": version}
        notes = await self._audited(asked, by, why, {"sha256": based_on}, {"sha256": kept.sha256})
        text = f"proposal {kept.number} waits for another person until {kept.ends}: nothing is done yet"
        return {**well([text], notes), "proposal": kept.number}

    async def decline(self, number: int, by: str, why: str, stands: Stands) -> dict[str, Any]:
        """Raises GatewayError."""
        proposal = await self.waiting(number)
        declined = proposal._replace(state="declined", text="", tables={}, said=f"by {by}: {why}")
        await self._in_turn(partial(self._declined, declined, stands))
        self._log.info(DECLINED, by=by, number=number, proposed_by=proposal.by)
        asked = {"action": "decline-site-file", "proposal": number, "proposed_by": proposal.by}
        notes = await self._audited(asked, by, why, {"sha256": proposal.based_on}, None)
        return well([f"proposal {number} of {proposal.by} is declined by {by}: nothing was done"], notes)

    async def _declined(self, declined: Proposal, stands: Stands) -> None:
        # Meanwhile it may have been approved.
        await self.waiting(declined.number)
        refuse_who_is_out(stands)
        await self.on_disk(partial(self.store.keep, declined))

    async def approve(self, proposal: Proposal, checked: Checked, by: str, why: str, stands: Stands) -> dict[str, Any]:
        """`checked`: the same file, a moment ago. Raises GatewayError."""
        self._refuse_where_it_cannot_be()
        self._refuse_who_may_not(proposal, by)
        others = [path for path, sha in checked.beside.items() if proposal.beside.get(path, sha) != sha]
        if others:
            raise _fault(
                f"{', '.join(others)}: changed on the disk after this was proposed",
                "decline it, and propose it again on what stands there now",
            )
        return await self._in_turn(partial(self._replaced, proposal, by, why, stands))

    async def _replaced(self, proposal: Proposal, by: str, why: str, stands: Stands) -> dict[str, Any]:
        if not self.is_settled:
            raise BusyError("the change before this one is not settled yet", "look again in some seconds")
        try:
            return await self._replaced_at_once(proposal, by, why, stands)
        finally:
            await self._settle()

    async def _replaced_at_once(self, proposal: Proposal, by: str, why: str, stands: Stands) -> dict[str, Any]:
        opened, now = self._of_own(), self._parts.now()
        async with opened.reloader.turn:
            await self.waiting(proposal.number)
            refuse_who_is_out(stands)
            # Two stand for it, and one of them may be here no more, or in another role.
            self._refuse_who_may_not(proposal, by)
            both = signed(proposal.by, by, ties(proposal.by, by, self._parts.acting.given()))
            self.is_settled = False
            change = await self.on_disk(partial(opened.replacing.begin, proposal, by, why, now, both))
            told = await opened.reloader.reload()
            step, lines = (Step.DONE, ()) if told.code == 0 else (Step.REFUSED, told.lines)
            notes: list[str] = []
            try:
                if step == Step.REFUSED:
                    await self.on_disk(partial(opened.replacing.put_back, change))
                change = await self.on_disk(partial(opened.replacing.end, change, step, lines))
            except GatewayError as error:
                notes = [f"it could not be kept what has come of it, and is tried again: {error}"]
                self._log.error(NOT_SETTLED, trouble=str(error))
            else:
                self.is_settled = await self._tell(change)
        if not self.is_settled:
            notes += ["it is not in the audit trail yet, and is tried again; see to the disk of the ledger"]
        if step == Step.DONE:
            read = self._parts.site().files.read[1:]
            others = [
                str(each.path) for each in read if proposal.beside.get(str(each.path), each.sha256) != each.sha256
            ]
            notes += [f"{path} is another than when this was proposed, and was taken over so" for path in others]
            self._log.info(REPLACED, by=proposal.by, approved_by=by, before=change.before, after=change.after)
            done = f"the site file of {both}, is in its place and taken over"
            return well([done, *told.lines], notes)
        self._log.error(NOT_REPLACED, by=proposal.by, approved_by=by, said=told.lines)
        kept = "the gateway could not take it over: the file of before is in its place, and nothing has changed"
        return refused(1, (kept, *told.lines, *notes), "the proposal waits as before; decline it, or see to the cause")

    # What has come of it

    async def _settle(self) -> None:
        """After a crash, or where a disk did not take in what was to be kept."""
        opened = self._opened
        if opened is None:
            self.is_settled = True
        if self.is_settled or opened is None:
            return
        try:
            async with opened.reloader.turn:
                last = await self.on_disk(partial(opened.replacing.settled, self.in_force))
            self.is_settled = last is None or last.is_audited or await self._tell(last, is_first=False)
        except GatewayError as error:
            self._log.error(NOT_SETTLED, trouble=str(error))

    async def _tell(self, change: Change, *, is_first: bool = True) -> bool:
        """One row of the audit trail, once. Whether it is there."""
        opened = self._of_own()
        try:
            if is_first or not await self._is_told(change):
                asked = {
                    "action": "change-site-file",
                    "change": change.id,
                    "proposal": change.proposal,
                    "outcome": change.step,
                    "said": list(change.lines),
                    "proposed_by": change.by,
                    "approved_by": change.approved_by,
                    "approved_because": change.why_approved,
                }
                before = {"sha256": change.before, "version": change.version}
                after = {"sha256": change.after, "tables": dict(change.tables)} if change.step == Step.DONE else before
                both = change.both or signed(change.by, change.approved_by, ())
                if await self._audited(asked, both, change.why, before, after):
                    return False
            await self.on_disk(partial(opened.store.keep, change._replace(is_audited=True)))
        except GatewayError as error:
            self._log.error(NOT_SETTLED, trouble=str(error))
            return False
        return True

    async def _is_told(self, change: Change) -> bool:
        query = "SELECT EXISTS (SELECT 1 FROM audit WHERE instr(body, ?) > 0)"
        row = await self._parts.read(lambda connection: connection.execute(query, (change.id,)).fetchone())
        return bool(row[0])

    async def _audited(self, asked: dict[str, Any], by: str, why: str, before: object, after: object) -> list[str]:
        """What is to be known where it is not there."""
        body = audit_body(asked, by, why, (), before, after)
        future = self._parts.keeping.keep_papers((), (), (ns_of(self._parts.now()), body))
        if await done_within(future, _AUDIT_S) and future.exception() is None:
            return []
        return ["it is not in the audit trail: see to the disk of the ledger"]

    # Its parts

    async def _in_turn(self, work: Callable[[], Awaitable[T]]) -> T:
        """By the loop, so that it goes on to its end whatever becomes of the request."""
        done: asyncio.Future[T] = asyncio.get_running_loop().create_future()

        async def job() -> None:
            try:
                result = await work()
            except Exception as error:  # noqa: BLE001 - it is for whoever asked
                if not done.done():
                    done.set_exception(error)
            else:
                if not done.done():
                    done.set_result(result)

        self._jobs.put_nowait(job)
        return await done

    def _look(self) -> None:
        """Whether the gateway goes by another file than when it was looked at last."""
        if self.in_force != self._known_sha:
            self._known_sha, self.since = self.in_force, self._parts.now()

    def told_to(self, proposal: Proposal, by: str) -> dict[str, Any]:
        """Of whoever looks at it, beside who has proposed it."""
        return told_to(proposal.by, by, proposal.given, self._parts.acting.given())

    def _refuse_who_may_not(self, proposal: Proposal, by: str) -> None:
        acting, which = self._parts.acting, f"proposal {proposal.number}"
        if not acting.still_asks(proposal.by, {"action": SITE_FILE}):
            text = f"{which} is of {proposal.by}, who may not propose it any more"
            raise GatewayError(f"{text}; decline it, and have it proposed anew")
        if why_not := in_the_way(proposal.by, by, proposal.given, acting.given()):
            raise GatewayError(f"{which} {why_not}")

    def _refuse_where_it_cannot_be(self) -> None:
        text, hint = self.trouble()
        if text:
            raise _fault(text, hint)

    def _of_own(self) -> _Opened:
        if self._opened is None:
            text, hint = self.trouble()
            raise _fault(text, hint)
        return self._opened


def _fault(text: str, hint: str) -> GatewayError:
    error = GatewayError(text)
    error.hint = hint
    return error
