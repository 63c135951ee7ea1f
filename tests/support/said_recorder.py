"""A plugin of pytest that writes down what people are told while tests run: `pytest -p tests.support.said_recorder`.

It keeps, in the file that SAID names, each answer to an act, mark, doubt and failure once, by kind. What of it the page
cannot tell in another language shows `tests/page/test_sentences.py` when some of it is put into its samples.
"""

import functools
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gateway.account.commands import AccountRefusedError
from gateway.account.days import close
from gateway.account.days.differences import differences
from gateway.account.transfer import Transfer
from gateway.account.transfers.draft import Draft
from gateway.acting import Acting
from gateway.approving import Approving
from gateway.errors import DeliveryError, LinkError

_said: dict[str, None] = {}


def _keep(kind: str, *texts: object) -> None:
    for text in texts:
        if text:
            _said[f"{kind}\t{text}".replace("\n", "\\n")] = None


def _keep_answer(answer: Any) -> Any:
    told = getattr(answer, "answer", answer)
    _keep("act", *told.get("lines", ()), *told.get("notes", ()), told.get("hint"))
    return answer


def _acts(owner: type[Any], name: str) -> None:
    whole = getattr(owner, name)

    @functools.wraps(whole)
    async def act(*given: Any, **named: Any) -> Any:
        return _keep_answer(await whole(*given, **named))

    setattr(owner, name, act)


def _made(owner: type[Any], kind: str) -> None:
    whole = owner.__init__

    @functools.wraps(whole)
    def init(self: Any, *given: Any, **named: Any) -> None:
        whole(self, *given, **named)
        _keep(kind, *[each for each in given if isinstance(each, str)], getattr(self, "hint", None))

    owner.__init__ = init


def _differs(whole: Callable[..., list[str]]) -> Callable[..., list[str]]:
    def told(*given: Any) -> list[str]:
        found = whole(*given)
        _keep("why", *found)
        return found

    return told


def pytest_configure(config: pytest.Config) -> None:
    for owner in (Acting, Approving):
        for name in ("act", "tried"):
            if name in vars(owner):
                _acts(owner, name)
    for error, kind in ((AccountRefusedError, "refused"), (LinkError, "link"), (DeliveryError, "delivery")):
        _made(error, kind)
    vars(close)["differences"] = _differs(differences)
    whole = Draft.put

    def put(self: Draft, transfer: Transfer, *given: Any, **named: Any) -> None:
        _keep("mark", *[mark.text for mark in transfer.marks if not mark.by], transfer.waits_for)
        whole(self, transfer, *given, **named)

    Draft.put = put  # type: ignore[method-assign]


def pytest_unconfigure(config: pytest.Config) -> None:
    with Path(os.environ["SAID"]).open("a", encoding="utf-8") as file:
        file.writelines(f"{line}\n" for line in _said)
