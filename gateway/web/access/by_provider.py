"""Sign-in by the provider of the site: away to it, and back as somebody of whom it has told."""

import hmac
import secrets
from collections import OrderedDict
from typing import NamedTuple
from urllib.parse import parse_qsl

import structlog

from gateway.errors import GatewayError
from gateway.process.passwords import BusyError
from gateway.web.access.access import SIGN_IN_REFUSED, SIGNED_IN, Access, NotLetInError, Seen, WaitError
from gateway.web.access.guests import welcomed
from gateway.web.access.provider.claims import NoPlaceHereError
from gateway.web.access.provider.faults import AwayError, NotTrueError
from gateway.web.access.provider.going import Going, going_from, new_going
from gateway.web.access.provider.plan import mark_of
from gateway.web.access.provider.provider import Provider
from gateway.web.access.sessions import key_of

__all__ = ["ByProvider", "Gone"]

_LONGEST_CODE = 4_096
_MOST_DONE = 4_096


class Gone(NamedTuple):
    """A sign-in that has begun: what the cookie of the browser has until it is back, and where it goes."""

    token: str
    address: str


class ByProvider:
    """From the loop. What has begun with one comes to nothing with another."""

    def __init__(self, access: Access) -> None:
        self._access = access
        self._secret = secrets.token_bytes(32)
        self._done: OrderedDict[str, None] = OrderedDict()
        """What has come back, by state: it comes once."""
        self._log = structlog.get_logger("gateway.access")

    async def go(self, origin: str) -> Gone:
        """`origin`: where the page is that asks. Raises AwayError, BusyError, NotKnownError, GatewayError."""
        provider = self._provider()
        plan = provider.plan
        if origin != plan.page:
            error = GatewayError(f"sign-in by {plan.name} begins and ends at {plan.page}")
            error.hint = "open the page there"
            raise error
        await self._access.people.known()
        going = new_going(self._secret, mark_of(plan), self._access.now)
        try:
            address = await provider.address(going)
        except AwayError as error:
            self._log.warning("access.provider_away", provider=plan.name, trouble=str(error))
            raise
        return Gone(going.token, address)

    async def come_back(self, token: str | None, answer: str, peer: str, before: str | None) -> str:
        """What the cookie of the new session is to have; the session `before` ends. `token`: of this browser's cookie;
        `answer`: the query with which it was sent back.

        Raises NotLetInError, AwayError, WaitError, BusyError, NotKnownError, and GatewayError for who is not welcome.
        """
        access, provider = self._access, self._provider()
        plan = provider.plan
        await access.people.known()
        wait_s = access.waits.wait_of_peer_s(peer, access.monotonic_s)
        if wait_s > 0.0:
            raise WaitError(wait_s)
        access.waits.begin_of_peer(peer, access.monotonic_s)
        try:
            going, code, issuer = self._looked_at(provider, token, answer)
            came = await provider.came(going, code, issuer, access.now)
        except BusyError:
            access.waits.right_of_peer(peer)  # nobody has guessed anything
            raise
        except AwayError as error:
            access.waits.right_of_peer(peer)
            self._log.warning("access.provider_away", provider=plan.name, trouble=str(error))
            raise
        except (NotTrueError, NoPlaceHereError) as error:
            access.refused += 1
            self._log.warning(SIGN_IN_REFUSED, provider=plan.name, why=str(error), peer=peer)
            refused = NotLetInError(str(error))
            refused.hint = error.hint
            raise refused from error
        # Whatever becomes of him here, his code was one.
        access.waits.right_of_peer(peer)
        guest, known = await welcomed(access.people, came, plan, access.now)
        # It may have been another site file's while the provider was asked.
        if access.provider is not provider:
            raise NotLetInError("the site file has changed meanwhile; begin anew")
        self._log.info(SIGNED_IN, name=guest.name, role=guest.role.value, peer=peer)
        if known is None or known.role is not guest.role:
            asked = {"action": "come-in", "name": guest.name, "issuer": guest.issuer, "subject": guest.subject}
            was = None if known is None else {"role": known.role.value}
            access.audit(asked, guest.name, was, {"role": guest.role.value})
        session = access.begun(guest.name, before, role=guest.role, mark=mark_of(plan))
        provider.remember(key_of(session), came.id_token)
        return session

    async def way_out(self, seen: Seen) -> str:
        """Where the browser of somebody who has just signed out here ends his session at the provider too; empty where
        that is not known, and he is still signed in there."""
        provider = self._access.provider
        if provider is None:
            return ""
        try:
            return await provider.way_out(seen.key) or ""
        except (AwayError, BusyError, TimeoutError) as error:
            self._log.warning("access.provider_away", provider=provider.plan.name, trouble=str(error))
            return ""

    def _provider(self) -> Provider:
        provider = self._access.provider
        if provider is None:
            raise GatewayError("this site knows no provider to sign in by")
        return provider

    def _looked_at(self, provider: Provider, token: str | None, answer: str) -> tuple[Going, str, str | None]:
        """The sign-in that has begun in this browser, its code, and who says that he gave it. Raises NotTrueError."""
        going = going_from(self._secret, mark_of(provider.plan), token or "", self._access.now)
        if going is None:
            raise NotTrueError("no sign-in has begun in this browser within the last minutes")
        try:
            pairs = parse_qsl(answer.removeprefix("?"), keep_blank_values=True, max_num_fields=30)
        except ValueError as exc:
            raise NotTrueError("the answer is none") from exc
        told = dict(pairs)
        if len(told) != len(pairs):
            raise NotTrueError("the answer says something twice")
        if not hmac.compare_digest(told.get("state", "").encode("utf-8", "replace"), going.state.encode()):
            raise NotTrueError("the answer is not to what has begun in this browser")
        if going.state in self._done:
            raise NotTrueError("this answer has come before")
        # From here on it is used up, whatever comes of it: a code is shown once.
        self._done[going.state] = None
        while len(self._done) > _MOST_DONE:
            self._done.popitem(last=False)
        code, issuer = told.get("code", ""), told.get("iss")
        if "error" in told:
            word = told["error"]
            is_word = len(word) <= 40 and word.isascii() and word.replace("_", "").isalnum()
            word = word if is_word else "for no known reason"
            raise NotTrueError(f"{provider.plan.name} has let nobody in: {word}")
        if not code or len(code) > _LONGEST_CODE or not code.isascii() or not code.isprintable():
            raise NotTrueError("the answer has no code")
        return going, code, issuer
