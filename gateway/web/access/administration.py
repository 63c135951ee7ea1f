"""What the command of people asks for, of a gateway that runs or of the file: each answer as the door gives it."""

from collections.abc import Awaitable, Callable, Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple

from gateway.errors import GatewayError
from gateway.person import Person, Role
from gateway.two_people import ROLE, noted
from gateway.web.access.access import Access
from gateway.web.access.book import Account, Invitation, invited_names
from gateway.web.access.codes import code_key, new_code
from gateway.web.access.names import name_trouble, plain_name
from gateway.web.access.people import Changed

__all__ = ["CHANGING", "PEOPLE_ACTIONS", "PEOPLE_LIST_SCHEMA", "administer"]

PEOPLE_LIST_SCHEMA = "tank-gateway/people-list/1"
_CODE_S = 86_400.0
_ADMINISTRATOR_CODE_S = 3600.0
_MOST_OPEN = 200
_FIELDS = frozenset({"action", "name", "role"})

Accounts = Mapping[str, Account]
Invitations = Mapping[str, Invitation]
Make = Callable[[Accounts, Invitations], Changed]


class _WrongError(GatewayError):
    """It was asked for wrongly."""


class _Asked(NamedTuple):
    """What is asked for, by whom, and of which people."""

    access: Access
    request: Mapping[str, Any]
    by: str
    stands: Callable[[], bool]

    async def change(self, make: "Make") -> None:
        await self.access.people.change(self._as_long_as_he_may(make))

    async def take_away(self, make: "Make") -> str:
        return await self.access.people.take_away(self._as_long_as_he_may(make))

    def _as_long_as_he_may(self, make: "Make") -> "Make":
        """Changes wait for one another, and for the disk: who was let in when he asked may be out when his turn comes.
        Looked at once: what he does may end his own session."""
        looked_at = False

        def made(accounts: "Accounts", invitations: "Invitations") -> Changed:
            nonlocal looked_at
            if not looked_at and not self.stands():
                raise GatewayError("your session has ended meanwhile: nothing was done")
            looked_at = True
            return make(accounts, invitations)

        return made


def _always() -> bool:
    return True


async def administer(
    access: Access, request: Mapping[str, Any], by: str, stands: Callable[[], bool] = _always
) -> dict[str, Any]:
    """The answer: `code` as exit codes have it, `lines` for people, `hint`, and what there is for programs. `stands`:
    whether whoever asks may still, when his turn comes."""
    action = PEOPLE_ACTIONS.get(str(request.get("action", "")))
    wrong = [key for key, value in request.items() if key not in _FIELDS or not isinstance(value, str)]
    if action is None or wrong:
        known = ", ".join(PEOPLE_ACTIONS)
        return {"code": 2, "lines": ["this is no request about people"], "hint": f"actions are {known}"}
    try:
        await access.people.known()
        return {"code": 0, **await action(_Asked(access, request, by, stands))}
    except _WrongError as error:
        return {"code": 2, "lines": [str(error)], "hint": error.hint or ""}
    except GatewayError as error:
        return {"code": 1, "lines": [str(error)], "hint": error.hint or ""}


def _seen(access: Access, name: str) -> dict[str, Any]:
    """Where somebody is signed in, and when he was last there."""
    own = [each for each in access.sessions.records.values() if each.name == name]
    return {
        "sessions": sum(1 for each in own if access.goes_on(each.key)),
        "last_seen": _iso(max((each.seen for each in own), default=None)),
    }


async def _list(asked: _Asked) -> dict[str, Any]:
    access = asked.access
    now, people = access.now, access.people
    listed = [
        {
            "name": account.name,
            "role": account.role.value,
            "password_since": _iso(account.since),
            **_seen(access, account.name),
        }
        for account in sorted(people.accounts.values(), key=lambda each: each.name.casefold())
    ]
    open_codes = [
        {"name": each.name, "role": each.role.value, "until": _iso(each.until), "by": each.by}
        for each in people.invitations.values()
        if each.until > now
    ]
    guests = [
        {
            "name": guest.name,
            "role": guest.role.value,
            "since": _iso(guest.since),
            **_seen(access, guest.name),
        }
        for guest in sorted(people.guests.values(), key=lambda each: each.name.casefold())
    ]
    lines = [
        f"{each['name']}: {each['role']}; password since {each['password_since']}; "
        + (f"{each['sessions']} open, last seen {each['last_seen']}" if each["sessions"] else "not signed in")
        for each in listed
    ] or ["nobody: make the first by `tank-gateway people invite --role administrator`"]
    lines += [
        f"code open for {each['name'] or 'whoever has it'}: {each['role']}, until {each['until']}, by {each['by']}"
        for each in open_codes
    ]
    lines += [
        f"{each['name']}: {each['role']}, came by the provider; "
        + (f"{each['sessions']} open, last seen {each['last_seen']}" if each["sessions"] else "not signed in")
        for each in guests
    ]
    return {"lines": lines, "schema": PEOPLE_LIST_SCHEMA, "people": listed, "guests": guests, "codes": open_codes}


async def _invite(asked: _Asked) -> dict[str, Any]:
    access, request, by, _ = asked
    name = _name(request) if "name" in request else None
    code = new_code()
    made: list[Invitation] = []

    def make(accounts: Accounts, invitations: Invitations) -> Changed:
        account = None if name is None else accounts.get(name)
        if "role" in request:
            role = _role(request)
        elif account is not None:
            role = account.role
        else:
            raise _wrong("say what this person is", f"--role with one of {_roles()}")
        if name is not None and account is None:
            others = (*accounts, *invited_names(invitations, access.now))
            if (trouble := name_trouble(name, others)) is not None:
                raise _wrong(trouble, "give another name")
        # One that is new takes the place of one that is open for the same name; what has expired goes.
        kept = {key: each for key, each in invitations.items() if each.until > access.now}
        kept = {key: each for key, each in kept.items() if name is None or each.name != name}
        if len(kept) >= _MOST_OPEN:
            raise GatewayError(f"{_MOST_OPEN} codes are open already")
        lasts_s = _ADMINISTRATOR_CODE_S if role is Role.ADMINISTRATOR else _CODE_S
        invitation = Invitation(code_key(code), role, name, access.now + lasts_s, by)
        made.append(invitation)
        return Changed(accounts, {**kept, invitation.key: invitation})

    await asked.change(make)
    invitation = made[-1]
    access.audit(request, by, None, {"name": name, "role": invitation.role.value, "until": _iso(invitation.until)})
    known = name is not None and name in access.people.accounts
    whom = f"{name} gets a new password" if known else f"{name or 'whoever has it'} joins"
    until = _iso(invitation.until)
    return {
        "lines": [f"{code}", f"with this code {whom} as {invitation.role.value}: once, until {until}"],
        "notes": ["it is shown this once, and kept only as a hash"],
        "one_time_code": code,
        "until": until,
    }


async def _change_role(asked: _Asked) -> dict[str, Any]:
    access, request, by, _ = asked
    name, role = _name(request), _role(request)
    if name in access.people.guests:
        raise _wrong(f"the provider says what {name} is", "see to it there, or under web: sign_in_by in the site file")
    before: list[Role] = []

    def make(accounts: Accounts, invitations: Invitations) -> Changed:
        account = _account(accounts, name)
        before.append(account.role)
        # Who has another role signs in anew: no session has more or less than it began with. No code gives it back
        # either: none for this person, whose role it would be again, and none by this person, who might use it.
        given = noted(access.people.given, name, by, ROLE, access.now)
        changed = {**accounts, name: account._replace(role=role)}
        return Changed(changed, _without(invitations, name), (name,), given=given)

    await asked.change(make)
    access.audit(request, by, {"role": before[-1].value}, {"role": role.value})
    return {"lines": [f"{name} is {role.value} from now on, was {before[-1].value}, and signs in anew"]}


async def _remove(asked: _Asked) -> dict[str, Any]:
    access, request, by, _ = asked
    name = _name(request)
    before: list[Role] = []
    guest = access.people.guests.get(name)

    def make(accounts: Accounts, invitations: Invitations) -> Changed:
        codes = _without(invitations, name)
        if guest is not None:
            before.append(guest.role)
            rest = {each: one for each, one in access.people.guests.items() if each != name}
            return Changed(accounts, codes, (name,), rest)
        if name not in accounts and len(codes) < len(invitations):
            return Changed(accounts, codes)
        before.append(_account(accounts, name).role)
        return Changed({each: one for each, one in accounts.items() if each != name}, codes, (name,))

    note = await asked.take_away(make)
    access.audit(request, by, {"role": before[-1].value} if before else None, None)
    if guest is not None:
        # Who comes in by a provider is said there, and by the site file: this frees the name, and ends what goes on.
        said = f"{name} is signed out and forgotten; the provider says who comes again"
    else:
        said = f"{name} may not come in any more" if before else f"the code for {name} opens nothing any more"
    return {"lines": [said], "notes": [note] if note else []}


async def _end_sessions(asked: _Asked) -> dict[str, Any]:
    access, request, by, _ = asked
    name = _name(request) if "name" in request else None
    counts: list[int] = []

    def make(accounts: Accounts, invitations: Invitations) -> Changed:
        guests = access.people.guests
        if name is None:
            names: tuple[str, ...] = (*accounts, *guests)
        else:
            names = (name,) if name in guests else (_account(accounts, name).name,)
        counts.append(sum(1 for each in access.sessions.records.values() if each.name in names))
        # There is no removing a guest for good: whose sessions are ended here has no code open either.
        codes = _without(invitations, name) if name is not None and name in guests else invitations
        return Changed(accounts, codes, names)

    note = await asked.take_away(make)
    access.audit(request, by, None, None)
    whose = "everybody" if name is None else name
    return {"lines": [f"{counts[0]} ended: {whose} signs in anew"], "notes": [note] if note else []}


def _without(invitations: Invitations, name: str) -> dict[str, Invitation]:
    """Those that are neither for somebody nor by that one."""
    by = Person(name, Role.ADMINISTRATOR).signature
    return {key: each for key, each in invitations.items() if each.name != name and each.by != by}


def _account(accounts: Accounts, name: str) -> Account:
    account = accounts.get(name)
    if account is None:
        near = ", ".join(sorted(accounts)) or "nobody yet"
        raise _wrong(f"there is no '{name.encode('ascii', 'backslashreplace').decode():.60}' here", f"there is: {near}")
    return account


def _name(request: Mapping[str, Any]) -> str:
    name = plain_name(str(request.get("name", "")))
    if not name:
        raise _wrong("say whom", "give a name")
    return name


def _role(request: Mapping[str, Any]) -> Role:
    try:
        return Role(str(request.get("role", "")))
    except ValueError:
        raise _wrong(f"'{request.get('role', '')!s:.40}' is no role", f"one of {_roles()}") from None


def _roles() -> str:
    return ", ".join(role.value for role in Role)


def _wrong(text: str, hint: str) -> _WrongError:
    error = _WrongError(text)
    error.hint = hint
    return error


def _iso(seconds: float | None) -> str | None:
    if seconds is None:
        return None
    return datetime.fromtimestamp(round(seconds), UTC).isoformat().replace("+00:00", "Z")


PEOPLE_ACTIONS: Mapping[str, Callable[[_Asked], Awaitable[dict[str, Any]]]] = {
    "people-list": _list,
    "people-invite": _invite,
    "people-role": _change_role,
    "people-remove": _remove,
    "people-end-sessions": _end_sessions,
}
CHANGING = frozenset(PEOPLE_ACTIONS) - {"people-list"}
"""Those that say who may come in: for root and the gateway's own user."""
