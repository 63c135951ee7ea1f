"""Who may come over HTTP, and as whom: what the sign-in routes, the guard and the command of people ask for."""

import asyncio
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import structlog

from gateway.clock import Clock
from gateway.errors import GatewayError
from gateway.person import Person, Role
from gateway.process.passwords import Passwords, trouble_with
from gateway.process.progress import CameRound, nobody_asks
from gateway.two_people import INVITED, PASSWORD, noted
from gateway.web.access.book import Account, Guest, Invitation, SessionRecord, invited_names
from gateway.web.access.codes import code_key
from gateway.web.access.names import name_trouble, plain_name
from gateway.web.access.people import Changed, NotKnownError, People
from gateway.web.access.people_file import PeopleFile
from gateway.web.access.plan import AccessPlan
from gateway.web.access.provider.plan import mark_of
from gateway.web.access.provider.provider import Provider
from gateway.web.access.sessions import Sessions
from gateway.web.access.waits import Waits

__all__ = ["Access", "Audit", "NotLetInError", "Seen", "WaitError", "nothing_audited"]

SIGNED_IN = "access.signed_in"
SIGNED_OUT = "access.signed_out"
SIGN_IN_REFUSED = "access.sign_in_refused"
JOINED = "access.joined"
JOIN_REFUSED = "access.join_refused"
PASSWORD_CHANGED = "access.password_changed"

_MOST_PEOPLE = 500
_LONGEST_TRIED = 64
_TURN_S = 2.0
_SEEN_S = 300.0
"""How often it is kept when somebody was last there: a crash makes a session end so much sooner."""

Audit = Callable[[Mapping[str, Any], str, object, object], None]
"""Into the audit trail: what was asked for, by whom, what stood before and after."""


def nothing_audited(_asked: Mapping[str, Any], _by: str, _before: object, _after: object) -> None:
    """Where there is no trail."""


class NotLetInError(GatewayError):
    """Name and password do not belong together, or the code is none: which of them is not said."""


class WaitError(GatewayError):
    """Too many wrong ones. Trying again after `wait_s` may help."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(f"too many wrong ones from here; wait {max(1, round(wait_s))} s and try again")


class Seen(NamedTuple):
    """A session, and whose."""

    key: str
    person: Person


class Access:
    """From the loop. It outlives the HTTP servers of changed site files; `plan` is that of the newest."""

    def __init__(
        self,
        site: str,
        clock: Clock,
        file: PeopleFile | None,
        *,
        passwords: Passwords | None = None,
        audit: Audit = nothing_audited,
    ) -> None:
        self.site = site
        self.plan = AccessPlan()
        self.provider: Provider | None = None
        """That of the plan."""
        self.sessions = Sessions(self.plan.session_unused_s, self.plan.session_longest_s)
        self.people = People(file, self.sessions)
        self.passwords = Passwords() if passwords is None else passwords
        self.waits = Waits()
        self._clock = clock
        self.audit = audit
        self.refused = 0
        """Wrong passwords and codes, since the start."""
        self.certificate_until_s: float | None = None
        """When the certificate in use ends, UTC; None without TLS."""
        self.local_secret = ""
        """What tools of this machine show as their token; empty: there is none."""
        self._log = structlog.get_logger("gateway.access")

    def take_over(self, plan: AccessPlan) -> None:
        if plan.provider != self.plan.provider:
            if self.provider is not None:
                self.provider.end()
            self.provider = None if plan.provider is None else Provider(plan.provider, lambda: self.monotonic_s)
        self.plan = plan
        self.sessions.idle_s, self.sessions.longest_s = plan.session_unused_s, plan.session_longest_s

    @property
    def now(self) -> float:
        return self._clock.utc_ns() / 1e9

    async def run(self, came_round: CameRound = nobody_asks) -> None:
        """Reads who is here, and keeps who is signed in. Until cancelled; the file is nobody's after it."""
        seen_after_s = 0.0
        try:
            while True:
                came_round(_TURN_S)
                try:
                    await self.people.known()
                except NotKnownError:
                    await asyncio.sleep(_TURN_S)
                    continue
                self.sessions.tidy(self.now)
                monotonic_s = self._clock.monotonic_ns() / 1e9
                if self.sessions.is_changed or (self.sessions.records and monotonic_s >= seen_after_s):
                    seen_after_s = monotonic_s + _SEEN_S
                    await self.people.keep_sessions()
                await asyncio.sleep(_TURN_S)
        finally:
            self.people.end()

    def found(self, token: str | None) -> Seen | None:
        """Whose session a cookie is; None: nobody's, or one that has ended."""
        record = None if token is None else self.sessions.find(token, self.now)
        person = None if record is None else self._person(record)
        return None if record is None or person is None else Seen(record.key, person)

    def goes_on(self, key: str) -> bool:
        record = self.sessions.standing(key, self.now)
        return record is not None and self._person(record) is not None

    async def sign_in(self, name: str, password: str, peer: str, before: str | None = None) -> str:
        """What the cookie of the new session is to have; the session `before` it ends.

        Raises NotLetInError, WaitError, BusyError, NotKnownError.
        """
        await self.people.known()
        name = plain_name(name[:_LONGEST_TRIED])
        account = self.people.accounts.get(name)
        right = await self._is_right(name, peer, account, password)
        # Who was removed or has another password meanwhile is looked at as he is now.
        if not right or account is None or self.people.accounts.get(name) != account:
            self.refused += 1
            # What is typed as a name may be a password: only one that is known is written down.
            self._log.warning(SIGN_IN_REFUSED, name="unknown" if account is None else name, peer=peer)
            raise _wrong_pair()
        self.waits.right(name, peer)
        if self.passwords.is_outdated(account.password):
            account = await self._made_again(account, password)
            # That takes a while too: by the password of before nobody begins a session once there is another.
            if self.people.accounts.get(name) != account:
                raise _wrong_pair()
        self._log.info(SIGNED_IN, name=name, role=account.role.value, peer=peer)
        return self.begun(name, before)

    async def sign_out(self, seen: Seen, *, everywhere: bool = False) -> None:
        """This session ends, or all of the person."""
        if everywhere:
            self.sessions.end_of(seen.person.name)
        self.sessions.end(seen.key)
        self._log.info(SIGNED_OUT, name=seen.person.name, everywhere=everywhere)
        await self.people.keep_sessions()

    async def join(self, code: str, name: str, password: str, peer: str, before: str | None = None) -> str:
        """By a one-time code somebody is here from now on, or has a new password; a session begins, all others of the
        person end.

        Raises NotLetInError, WaitError, BusyError, NotKnownError, and GatewayError for what cannot be chosen or kept.
        """
        await self.people.known()
        self._wait(self.waits.wait_of_peer_s(peer, self.monotonic_s))
        self.waits.begin_of_peer(peer, self.monotonic_s)
        key = code_key(code)
        invitation = self._open(key, self.people.invitations)
        if invitation is None:
            self.refused += 1
            self._log.warning(JOIN_REFUSED, peer=peer)
            raise _no_code()
        self.waits.right_of_peer(peer)
        name = plain_name(name) or invitation.name or ""
        self._check_name(invitation, name, self.people.invitations)
        trouble = trouble_with(password, (name, self.site))
        if trouble is not None:
            raise GatewayError(trouble)
        hashed = await self.passwords.hashed(password)
        before_account = self.people.accounts.get(name)

        def make(accounts: Mapping[str, Account], invitations: Mapping[str, Invitation]) -> Changed:
            # Looked at once more: two may have come with one code.
            found = self._open(key, invitations)
            if found is None:
                raise _no_code()
            self._check_name(found, name, invitations)
            if name not in accounts and len(accounts) >= _MOST_PEOPLE:
                raise GatewayError(f"there are {_MOST_PEOPLE} people here, and more cannot be")
            account = Account(name, found.role, hashed, self.now)
            rest = {each: one for each, one in invitations.items() if each != key}
            what = PASSWORD if name in accounts else INVITED
            given = noted(self.people.given, name, found.by, what, self.now)
            return Changed({**accounts, name: account}, rest, (name,), given=given)

        await self.people.change(make)
        self._log.info(JOINED, name=name, role=invitation.role.value, peer=peer, invited_by=invitation.by)
        self.audit(
            {"action": "join", "name": name, "invited_by": invitation.by},
            f"{name}@page",
            None if before_account is None else {"role": before_account.role.value},
            {"role": invitation.role.value},
        )
        return self.begun(name, before)

    async def change_password(self, seen: Seen, old: str, new: str, peer: str) -> str:
        """The person's own, by the old one; every session ends but the new one that begins.

        Raises as `sign_in` does, and GatewayError for a password that cannot be chosen or kept.
        """
        name = seen.person.name
        account = self.people.accounts.get(name)
        right = await self._is_right(name, peer, account, old)
        if not right or account is None:
            self.refused += 1
            self._log.warning(SIGN_IN_REFUSED, name=name, peer=peer)
            raise NotLetInError("this is not your present password")
        self.waits.right(name, peer)
        trouble = trouble_with(new, (name, self.site))
        if trouble is not None:
            raise GatewayError(trouble)
        await self._set_password(account, await self.passwords.hashed(new), self.now, (name,))
        self._log.info(PASSWORD_CHANGED, name=name, peer=peer)
        self.audit({"action": "password", "name": name}, seen.person.signature, None, None)
        return self.begun(name, None)

    def begun(self, name: str, before: str | None, *, role: Role | None = None, mark: str = "") -> str:
        """What the cookie of a new session is to have; the session `before` has ended. `role`, `mark`: of a guest."""
        if before is not None:
            self.sessions.end(before)
        return self.sessions.begin(name, self.now, role=role, mark=mark)

    @property
    def monotonic_s(self) -> float:
        return self._clock.monotonic_ns() / 1e9

    def is_granted(self, guest: Guest) -> bool:
        """Whether the site file still knows the provider of a guest, and gives somebody the role that he had last."""
        plan = self.plan.provider
        if plan is None or (guest.issuer, guest.name.rpartition("@")[2]) != (plan.issuer, plan.name):
            return False
        return guest.role in {role for _, role in plan.roles}

    # Its parts

    def _person(self, record: SessionRecord) -> Person | None:
        """Whose a session is; None: of nobody who may still be here."""
        if not record.mark:
            account = self.people.accounts.get(record.name)
            return None if account is None else Person(account.name, account.role)
        # What the site file says of the provider now is what counts: a role that it gives no more is nobody's.
        plan = self.plan.provider
        if plan is None or record.mark != mark_of(plan) or record.name not in self.people.guests:
            return None
        return None if record.role is None else Person(record.name, record.role)

    async def _is_right(self, name: str, peer: str, account: Account | None, password: str) -> bool:
        """One attempt, which counts as wrong until `Waits.right`. Raises WaitError, BusyError."""
        self._wait(self.waits.wait_s(name, peer, self.monotonic_s))
        # Before it counts: who is sent away because others fill the queue has not been wrong.
        self.passwords.refuse_where_busy()
        self.waits.begin(name, peer, self.monotonic_s)
        return await self.passwords.matches(None if account is None else account.password, password)

    async def _made_again(self, account: Account, password: str) -> Account:
        """With the costs of today; where that cannot be, the old hash does as before."""
        try:
            return await self._set_password(account, await self.passwords.hashed(password), account.since, ())
        except GatewayError:
            return account

    async def _set_password(self, account: Account, hashed: str, since: float, ended: tuple[str, ...]) -> Account:
        """As it is from now on. Raises GatewayError."""
        changed = account._replace(password=hashed, since=since)

        def make(accounts: Mapping[str, Account], invitations: Mapping[str, Invitation]) -> Changed:
            if accounts.get(account.name) != account:
                raise GatewayError("it was changed by somebody else meanwhile; sign in anew")
            return Changed({**accounts, account.name: changed}, invitations, ended)

        await self.people.change(make)
        return changed

    def _open(self, key: str, invitations: Mapping[str, Invitation]) -> Invitation | None:
        invitation = invitations.get(key)
        if invitation is None or invitation.until <= self.now or not self._still_invites(invitation.by):
            return None
        return invitation

    def _still_invites(self, by: str) -> bool:
        """Whether the site file still makes an administrator of the guest who made a code; anybody else does."""
        guest = self.people.guests.get(by)
        if guest is None:
            return True
        return guest.role is Role.ADMINISTRATOR and self.is_granted(guest)

    def _check_name(self, invitation: Invitation, name: str, invitations: Mapping[str, Invitation]) -> None:
        """Raises GatewayError."""
        accounts = self.people.accounts
        if invitation.name is not None:
            if name != invitation.name:
                raise GatewayError(f"this code is for {invitation.name}")
            # Somebody may have come meanwhile who looks like it.
            trouble = None if name in accounts else name_trouble(name, accounts)
        else:
            if name in accounts:
                raise GatewayError(f"{name} is here already; a code for a new password is made for a name")
            invited = invited_names(invitations, self.now)
            if name in invited:
                # With a code of that name the one who is meant would else take over what this one has made.
                raise GatewayError(f"{name} is invited already, by another code")
            trouble = name_trouble(name, (*accounts, *invited))
        if trouble is not None:
            raise GatewayError(trouble)

    def _wait(self, wait_s: float) -> None:
        if wait_s > 0.0:
            raise WaitError(wait_s)


def _wrong_pair() -> NotLetInError:
    return NotLetInError("name and password do not belong together")


def _no_code() -> NotLetInError:
    error = NotLetInError("this code is not known here, was used, or has expired")
    error.hint = "whoever runs the gateway makes another: tank-gateway people invite"
    return error
