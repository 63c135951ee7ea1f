"""What people do over HTTP: by the door of all others, told before it is done."""

from collections.abc import Mapping
from typing import Any

import orjson

from gateway.actions.asked_by import may_ask
from gateway.cautions import cautions_for
from gateway.page_answers.consequences import consequences
from gateway.page_answers.parts import Parts, made
from gateway.permits import words_for
from gateway.person import Person
from gateway.process.standing import as_long_as
from gateway.web.interface.contract import JSON_TYPE, Call, Made, NobodyAskedError, NotAllowedError

__all__ = ["Acts"]

_STATUSES = {0: 200, 1: 409, 2: 422}
_NOBODY = "the page"


class Acts:
    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    async def act(self, call: Call) -> Made:
        """`try` is `yes`: what it would do."""
        request = call.body
        # Whoever decides on what waits may also ask for it.
        meant = self._parts.acting.meant(request)
        person = _permitted(call, meant)
        cautions = list(cautions_for(str(meant.get("action", ""))))
        if call.query.get("try") != "yes":
            with as_long_as(call.stands):
                answer = await self._parts.acting.act(request, person.signature)
            return _answer({**answer, "cautions": cautions, "tried": False})
        tried = await self._parts.acting.tried(request, person.signature)
        found = await consequences(self._parts.pipeline, tried.setups)
        answer = dict(tried.answer)
        if answer["code"] == 0:
            answer["lines"] = [*answer["lines"], *found.lines]
            answer["figures"] = list(found.figures)
        return _answer({**answer, "cautions": cautions, "tried": True})

    async def entered(self, call: Call) -> Made:
        by = _NOBODY if call.person is None else call.person.signature
        return made(await self._parts.acting.act({"action": "list"}, by))


def _permitted(call: Call, meant: Mapping[str, Any]) -> Person:
    """Raises NobodyAskedError, NotAllowedError."""
    if call.person is None:
        raise NobodyAskedError("nobody has signed in, and whoever acts has to")
    if not (may_ask(call.person.role, call.body) and may_ask(call.person.role, meant)):
        action = "".join(each if each.isprintable() else "?" for each in str(call.body.get("action", ""))[:40])
        words = ", ".join(words_for(call.person.role))
        raise NotAllowedError(f"as {call.person.role.value} you may not ask for '{action}'", f"you may ask for {words}")
    return call.person


def _answer(answer: Mapping[str, Any]) -> Made:
    return Made(orjson.dumps({"hint": "", "notes": [], **answer}), JSON_TYPE, _STATUSES[answer["code"]])
