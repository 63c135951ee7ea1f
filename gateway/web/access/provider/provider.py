"""The provider of a site: loaded when somebody first asks for it, and never waited for longer than a few seconds.

It may be slow, away or of bad will for years: whoever has a password here signs in as ever.
"""

import asyncio
from collections import OrderedDict
from concurrent.futures import Future
from importlib.util import find_spec
from typing import TYPE_CHECKING, TypeVar

from gateway.errors import GatewayError
from gateway.process.one_thread import OneThread, done_within
from gateway.process.passwords import BusyError
from gateway.web.access.provider.faults import AwayError
from gateway.web.access.provider.going import Going
from gateway.web.access.provider.plan import ProviderPlan
from gateway.web.access.provider.secrets import Means, means_of

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from gateway.web.access.provider.claims import Came
    from gateway.web.access.provider.exchange import Exchange

__all__ = ["Provider", "missing_part"]

_LONGEST_S = 8.0
_LOAD_S = 4.0
_MOST = 8
"""So many are asked about at once; whoever comes then tries again in a moment."""
_MEANS_KEPT_S = 60.0
_OUT_S = 3.0
"""Who signs out is out here already, and does not stand there for long."""
_MOST_REMEMBERED = 500
_AWAY_S = 5.0
"""How long one that did not answer is not asked again where to go."""

T = TypeVar("T")


def missing_part() -> str | None:
    """What is not installed, in a sentence; None: nothing."""
    if find_spec("authlib") is not None and find_spec("httpx") is not None:
        return None
    return "authlib or httpx is not installed, so that nobody signs in this way; pip install 'tank-gateway[oidc]'"


class Provider:
    """From the loop. Each raises AwayError, NotTrueError, NoPlaceHereError, BusyError."""

    def __init__(self, plan: ProviderPlan, monotonic: "Callable[[], float]", *, longest_s: float = _LONGEST_S) -> None:
        """`longest_s`: for one errand to it."""
        self.plan = plan
        self._monotonic = monotonic
        self.longest_s = longest_s
        self._thread = OneThread("provider")
        self._loading: Future[tuple[Exchange, Means]] | None = None
        self._loaded_s = 0.0
        self._exchange: Exchange | None = None
        self._away: tuple[float, AwayError] | None = None
        self._asked = 0
        self._id_tokens: OrderedDict[str, str] = OrderedDict()

    async def address(self, going: Going) -> str:
        """Where the browser has to go."""
        if self._away is not None and self._monotonic() < self._away[0]:
            raise self._away[1]
        try:
            exchange, means = await self._loaded()
            address = await self._within(lambda: exchange.address(means, going))
        except AwayError as error:
            self._away = self._monotonic() + _AWAY_S, error
            raise
        self._away = None
        return address

    async def came(self, going: Going, code: str, issuer: str | None, now: float) -> "Came":
        """Who has come back with this code; `issuer` is who says that he gave it."""
        exchange, means = await self._loaded()
        return await self._within(lambda: exchange.came(means, going, code, issuer, now))

    def remember(self, session: str, id_token: str) -> None:
        """Of whom a session is there. In memory alone: whoever signs out after a restart is asked there whether he
        means it."""
        self._id_tokens[session] = id_token
        while len(self._id_tokens) > _MOST_REMEMBERED:
            self._id_tokens.popitem(last=False)

    async def way_out(self, session: str) -> str | None:
        """Where the browser of a session that has ended here ends the one there; None where it cannot."""
        id_token = self._id_tokens.pop(session, "")
        async with asyncio.timeout(_OUT_S):
            exchange, means = await self._loaded()
            return await self._within(lambda: exchange.way_out(means, id_token))

    def end(self) -> None:
        self._thread.end()

    async def _within(self, asking: "Callable[[], Awaitable[T]]") -> T:
        if self._asked >= _MOST:
            raise BusyError("too many sign in at once; try again in a moment")
        self._asked += 1
        try:
            async with asyncio.timeout(self.longest_s):
                return await asking()
        except TimeoutError as error:
            raise AwayError(f"{self.plan.name} has not answered within {self.longest_s:g} s") from error
        finally:
            self._asked -= 1

    async def _loaded(self) -> "tuple[Exchange, Means]":
        """In a thread: libraries, and files that may be on a dead network drive. Read anew each minute."""
        if (lacking := missing_part()) is not None:
            raise AwayError(lacking)
        if self._loading is None or (self._loading.done() and self._monotonic() - self._loaded_s > _MEANS_KEPT_S):
            self._loading, self._loaded_s = self._thread.do(self._load), self._monotonic()
        loading = self._loading
        if not await done_within(loading, _LOAD_S):
            raise AwayError(f"the files for {self.plan.name} were not read within {_LOAD_S:g} s")
        error = loading.exception()
        if isinstance(error, GatewayError):
            self._loading = None
            raise AwayError(str(error)) from error
        return loading.result()

    def _load(self) -> "tuple[Exchange, Means]":
        # Here and not at the top: who does not sign in this way need not wait for it, nor have it.
        from gateway.web.access.provider.exchange import Exchange

        if self._exchange is None:
            self._exchange = Exchange(self.plan, self._monotonic)
        return self._exchange, means_of(self.plan)
