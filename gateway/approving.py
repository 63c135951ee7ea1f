"""People act on the running gateway where the site asks for a second person: what one asks for waits, changes nothing,
and is done when another approves it, checked anew by the same door.
"""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from gateway.acting import Acting, Tried
from gateway.actions.answers import audit_body, refused, well
from gateway.actions.entry import utc_text
from gateway.actions.second_person import (
    SECOND_PERSON_ACTIONS,
    Approve,
    Decline,
    SecondPerson,
    Waiting,
    read_decision,
    waiting_document,
)
from gateway.binding import TankBinding
from gateway.calculation.plan import TankPlan
from gateway.clock import Clock
from gateway.end_clock import EndClock
from gateway.errors import SettingsError
from gateway.keeping import Keeping
from gateway.settings import SiteSettings, TankSetup

__all__ = ["Approving"]

REQUEST_WAITS = "action.waits"
REQUEST_DECLINED = "action.declined"
_FORGETS = "a restart of the gateway forgets it, as nothing is done yet"


class Approving(Acting):
    """From the gateway's loop, like what it is made of."""

    def __init__(
        self,
        settings: SiteSettings,
        keeping: Keeping,
        clock: Clock,
        rebind: Callable[[TankBinding], None],
        refit: Callable[[TankSetup], None] = lambda _: None,
        ends: EndClock | None = None,
    ) -> None:
        super().__init__(settings, keeping, clock, rebind, refit, ends)
        self._second = SecondPerson()

    def watched(self, settings: SiteSettings) -> list[tuple[TankPlan, TankBinding, float]]:
        self._second.actions = settings.second_person
        return super().watched(settings)

    async def act(self, request: Mapping[str, Any], person: str) -> dict[str, Any]:
        action = str(request.get("action", ""))
        try:
            if action in SECOND_PERSON_ACTIONS:
                return await self._decided(read_decision(request), person)
            if action in self._second.actions:
                return await self._asked(request, person)
        except SettingsError as error:
            return refused(2, error.mistakes, error.hint or "")
        answer = await super().act(request, person)
        if action == "list":
            answer["waiting"] = [waiting_document(each) for each in self._second.waiting(self._now())]
        return answer

    async def tried(self, request: Mapping[str, Any], person: str) -> Tried:
        action = str(request.get("action", ""))
        if action in SECOND_PERSON_ACTIONS:
            return await self._decision_tried(request, person)
        tried = await super().tried(request, person)
        if tried.answer["code"] or action not in self._second.actions:
            return tried
        note = "this site asks for a second person: it is done when another approves it, and changes nothing until then"
        return tried._replace(answer={**tried.answer, "notes": [*tried.answer["notes"], note]})

    def meant(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        """What a decision is about, for whoever looks at who may: the request itself where it is none."""
        number = str(request.get("request", ""))
        waiting = self._second.waiting(self._now()) if str(request.get("action", "")) in SECOND_PERSON_ACTIONS else ()
        return next((each.asked for each in waiting if str(each.number) == number), request)

    async def _asked(self, request: Mapping[str, Any], person: str) -> dict[str, Any]:
        """Raises SettingsError."""
        answer = (await super().tried(request, person)).answer
        if answer["code"]:
            return answer
        now = self._now()
        waiting = self._second.ask(request, person, now, tuple(answer["lines"]))
        self._written(waiting, request, person, now, {"waits_as": waiting.number})
        self._log.info(REQUEST_WAITS, by=person, request=f"{request!s:.500}", number=waiting.number)
        text = f"request {waiting.number} waits for a second person until {utc_text(waiting.ends)}: nothing is done yet"
        return {**well([text], [_FORGETS]), "waiting": waiting_document(waiting)}

    async def _decided(self, decision: Approve | Decline, person: str) -> dict[str, Any]:
        """Raises SettingsError."""
        now = self._now()
        waiting = self._second.found(decision, person, now)
        # Of two who decide at once the second finds nothing.
        self._second.take(waiting)
        if isinstance(decision, Decline):
            asked = {"action": decision.action, "request": str(waiting.number), "why": decision.why}
            self._written(waiting, asked, person, now, None, decision.why)
            self._log.info(REQUEST_DECLINED, by=person, number=waiting.number, asked_by=waiting.by)
            return well([f"request {waiting.number} of {waiting.by} is declined by {person}: nothing was done"], [])
        answer = await super().act(waiting.asked, _both(waiting, person))
        if answer["code"]:
            self._second.put_back(waiting)
        return answer

    async def _decision_tried(self, request: Mapping[str, Any], person: str) -> Tried:
        try:
            decision = read_decision(request)
            waiting = self._second.found(decision, person, self._now())
        except SettingsError as error:
            return Tried(refused(2, error.mistakes, error.hint or ""))
        if isinstance(decision, Decline):
            text = f"request {waiting.number} of {waiting.by} would wait no more, and nothing would be done"
            return Tried(well([text, *waiting.lines], []))
        return await super().tried(waiting.asked, _both(waiting, person))

    def _written(
        self,
        waiting: Waiting,
        request: Mapping[str, Any],
        person: str,
        now: datetime,
        after: object,
        why: str | None = None,
    ) -> None:
        """Into the audit trail, without waiting for it: nothing rests on it yet."""
        before = None if after is not None else waiting_document(waiting)
        body = audit_body(request, person, why or str(request.get("why", "")), (), before, after)
        self._keeping.keep_papers((), (), (round(now.timestamp() * 1e9), body))


def _both(waiting: Waiting, person: str) -> str:
    """How what is done bears both."""
    return f"{waiting.by}, approved by {person}"
