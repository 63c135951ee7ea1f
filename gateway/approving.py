"""People act on the running gateway where the site asks for a second person: what one asks for waits, changes nothing,
and is done when another approves it, checked anew by the same door.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from typing import Any

from gateway.acting import Acting, Tried
from gateway.actions.answers import audit_body, refused, well
from gateway.actions.entry import utc_text
from gateway.actions.second_person import (
    SECOND_PERSON_ACTIONS,
    WAITS,
    Approve,
    Decline,
    SecondPerson,
    Waiting,
    read_decision,
    request_body,
    request_key,
    waiting_document,
)
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.errors import SettingsError
from gateway.ledger.papers import REQUEST, Paper
from gateway.process.one_thread import done_within
from gateway.settings import SiteSettings, TankSetup
from gateway.two_people import Given, signed, ties, told_to

__all__ = ["Approving"]

REQUEST_WAITS = "action.waits"
REQUEST_DECLINED = "action.declined"
_FORGETS = "without a ledger a restart of the gateway forgets it"
_APPROVED, _DECLINED = "approved", "declined"
_WRITE_S = 5.0
"""Longest that somebody waits for the disk."""


def _anybody(_by: str, _asked: Mapping[str, Any]) -> bool:
    """Of users of this machine: the system says who they are."""
    return True


def _nothing() -> Sequence[Given]:
    """Where there are no people of the page."""
    return ()


class Approving(Acting):
    """From the gateway's loop, like what it is made of."""

    still_asks: Callable[[str, Mapping[str, Any]], bool] = staticmethod(_anybody)
    """Whether somebody may still ask for what waits, by his signature. To be set."""
    given: Callable[[], Sequence[Given]] = staticmethod(_nothing)
    """What people have been given by others: a way in, or a role. To be set."""
    _times_known = 0
    """How often the ledger's papers had been read when they were looked at last."""

    @cached_property
    def _second(self) -> SecondPerson:
        return SecondPerson()

    def watched(self, settings: SiteSettings) -> list[tuple[TankPlan, TankBinding, float]]:
        self._second.actions = settings.second_person
        return super().watched(settings)

    def as_by(self, settings: SiteSettings) -> Callable[[], tuple[TankSetup, ...]]:
        """What tells the tanks as they would be by other settings, with what people have entered up to now: on a copy
        of the book, and so in any thread. It takes seconds where there are many tanks, and raises SettingsError where
        the settings cannot tell what a tank holds."""
        book, now = self._book.copied(), self._now()

        def told() -> tuple[TankSetup, ...]:
            book.products.refuse(settings, now)
            book.take_over(settings, now)
            return tuple(book.setup(setup.plan.tank) for setup in settings.tanks)

        return told

    async def act(self, request: Mapping[str, Any], person: str) -> dict[str, Any]:
        self._know()
        action = _word(request)
        try:
            if action in SECOND_PERSON_ACTIONS:
                return await self._decided(read_decision(request), person)
            if action in self._second.actions:
                return await self._asked(request, person)
        except SettingsError as error:
            return refused(2, error.mistakes, error.hint or "")
        answer = await super().act(request, person)
        if action == "list":
            answer["waiting"] = [
                {**waiting_document(each), **told_to(each.by, person, each.given, self.given())}
                for each in self._second.waiting(self._now())
            ]
        return answer

    async def tried(self, request: Mapping[str, Any], person: str) -> Tried:
        self._know()
        action = _word(request)
        if action in SECOND_PERSON_ACTIONS:
            return await self._decision_tried(request, person)
        tried = await super().tried(request, person)
        if tried.answer["code"] or action not in self._second.actions:
            return tried
        note = "this site asks for a second person: it is done when another approves it, and changes nothing until then"
        return tried._replace(answer={**tried.answer, "notes": [*tried.answer["notes"], note]})

    def meant(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """What a decision is about, for whoever looks at who may: the request itself where it is none."""
        self._know()
        if _word(request) not in SECOND_PERSON_ACTIONS:
            return request
        try:
            # As it is read when it is done: a number may be written in more than one way.
            number = read_decision(request).request
        except SettingsError:
            return request  # which the door refuses
        return next((each.asked for each in self._second.waiting(self._now()) if each.number == number), request)

    def waiting(self) -> tuple[Waiting, ...]:
        """What waits for a second person, the oldest first."""
        self._know()
        return self._second.waiting(self._now())

    def _know(self) -> None:
        """What the ledger has of before, each time that a file of it was opened."""
        papers, times = self._keeping.papers()
        if times != self._times_known:
            self._times_known = times
            self._second.know([paper.body for paper in papers.values() if paper.kind == REQUEST])

    async def _asked(self, request: Mapping[str, Any], person: str) -> dict[str, Any]:
        """Raises SettingsError."""
        answer = (await super().tried(request, person)).answer
        if answer["code"]:
            return answer
        now = self._now()
        waiting = self._second.ask(request, person, now, tuple(answer["lines"]), self.given())
        trouble = await self._written(waiting, WAITS, request, person, {"waits_as": waiting.number})
        if trouble:
            self._second.take(waiting)
            return refused(1, (trouble,), "see to the disk of the ledger")
        self._log.info(REQUEST_WAITS, by=person, request=f"{request!s:.500}", number=waiting.number)
        text = f"request {waiting.number} waits for a second person until {utc_text(waiting.ends)}: nothing is done yet"
        notes = [] if self._keeping.keeps_papers else [_FORGETS]
        return {**well([text], notes), "waiting": waiting_document(waiting)}

    async def _decided(self, decision: Approve | Decline, person: str) -> dict[str, Any]:
        """Raises SettingsError."""
        waiting = self._found_waiting(decision, person)
        # Of two who decide at once the second finds nothing.
        self._second.take(waiting)
        asked = {"action": decision.action, "request": str(waiting.number)}
        if isinstance(decision, Decline):
            trouble = await self._written(waiting, _DECLINED, asked, person, None, decision.why)
            if trouble:
                self._second.put_back(waiting)
                return refused(1, (trouble,), "see to the disk of the ledger")
            self._log.info(REQUEST_DECLINED, by=person, number=waiting.number, asked_by=waiting.by)
            return well([f"request {waiting.number} of {waiting.by} is declined by {person}: nothing was done"], [])
        # First that it waits no more: a crash in between leaves it undone, which is seen, and never done twice.
        trouble = await self._written(waiting, _APPROVED, asked, person, None, decision.why)
        if trouble:
            self._second.put_back(waiting)
            return refused(1, (trouble,), "see to the disk of the ledger")
        answer = await super().act(waiting.asked, self._both(waiting, person))
        if answer["code"]:
            self._second.put_back(waiting)
            await self._written(waiting, WAITS, asked, person, {"waits_as": waiting.number}, "it could not be done")
        return answer

    def _found_waiting(self, decision: Approve | Decline, person: str) -> Waiting:
        """Raises SettingsError."""
        waiting = self._second.found(decision, person, self._now(), self.given())
        if isinstance(decision, Approve) and not self.still_asks(waiting.by, waiting.asked):
            # One of the two who stand for it is no longer there.
            text = f"request: {waiting.number} was asked for by {waiting.by}, who may not ask for it any more"
            raise SettingsError((f"{text}; decline it, and have it asked for anew",))
        return waiting

    async def _decision_tried(self, request: Mapping[str, Any], person: str) -> Tried:
        try:
            decision = read_decision(request)
            waiting = self._found_waiting(decision, person)
        except SettingsError as error:
            return Tried(refused(2, error.mistakes, error.hint or ""))
        if isinstance(decision, Decline):
            text = f"request {waiting.number} of {waiting.by} would wait no more, and nothing would be done"
            return Tried(well([text, *waiting.lines], []))
        return await super().tried(waiting.asked, self._both(waiting, person))

    def _both(self, waiting: Waiting, person: str) -> str:
        """How what is done bears both."""
        return signed(waiting.by, person, ties(waiting.by, person, self.given()))

    async def _written(
        self,
        waiting: Waiting,
        state: str,
        request: Mapping[str, Any],
        person: str,
        after: object,
        why: str | None = None,
    ) -> str:
        """Into the ledger and its audit trail. Why it could not be; empty: it is there, or there is no ledger."""
        if not self._keeping.keeps_papers:
            return ""
        now_ns = round(self._now().timestamp() * 1e9)
        before = None if after is not None else waiting_document(waiting)
        body = audit_body(request, person, why or str(request.get("why", "")), (), before, after)
        paper = Paper(request_key(waiting), "", now_ns, request_body(waiting, state), REQUEST)
        future = self._keeping.keep_papers((paper,), (), (now_ns, body))
        if not await done_within(future, _WRITE_S):
            return f"the disk has not taken it in within {_WRITE_S:g} s"
        error = future.exception()
        return "" if error is None else f"it could not be kept: {error}"


def _word(request: Mapping[str, Any]) -> str:
    """Of the action; of what is no text, nothing."""
    action = request.get("action")
    return action if isinstance(action, str) else ""
