"""Who may come over HTTP, joined to the rest: people in the state directory, what is done to them in the audit trail,
and the command of people through the door of the running gateway.
"""

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import orjson

from gateway.actions.answers import audit_body, refused
from gateway.actions.asked_by import may_ask
from gateway.approving import Approving
from gateway.clock import Clock
from gateway.keeping import Keeping
from gateway.process.door import Answer
from gateway.status import AccessStatus
from gateway.web.access.access import Access
from gateway.web.access.administration import CHANGING, PEOPLE_ACTIONS, administer
from gateway.web.access.people_file import PeopleFile, people_path

__all__ = ["access_of", "access_status", "door_answers", "may_still_ask"]


def access_of(
    folder: Path | None, site: str, clock: Clock, keeping: Keeping, acting: Approving | None = None
) -> Access:
    """`folder`: the state directory; None: there is none, and nobody can sign in. `clock`: the machine's. `acting` is
    told who may still ask for what waits for a second person, and who came in by whom."""
    file = None if folder is None else PeopleFile(people_path(folder, site))
    access = Access(site, clock, file, audit=partial(_audited, keeping, clock))
    if file is not None and acting is not None:
        acting.still_asks = partial(may_still_ask, access)
        acting.given = lambda: access.people.given
    return access


def may_still_ask(access: Access, by: str, asked: Mapping[str, Any]) -> bool:
    """Whether whoever signs so is still here, in a role that may ask for this."""
    name, _, place = by.rpartition("@")
    guest = access.people.guests.get(by)
    if place == "page":
        account = access.people.accounts.get(name)
        role = None if account is None else account.role
    elif guest is not None or (access.plan.provider is not None and place == access.plan.provider.name):
        role = None if guest is None or not access.is_granted(guest) else guest.role
    else:
        return True  # a user of this machine
    return role is not None and may_ask(role, asked)


def access_status(access: Access) -> AccessStatus:
    return AccessStatus(len(access.sessions.records), access.refused, access.certificate_until_s)


def door_answers(access: Access, acting: Answer) -> tuple[Answer, Answer]:
    """What the door gives to members of the group, and to root and the gateway's own user: these alone say who may
    come in."""
    return partial(_answer, access, acting, False), partial(_answer, access, acting, True)


async def _answer(access: Access, acting: Answer, is_owner: bool, line: bytes, person: str) -> bytes:
    request = _about_people(line)
    if request is None:
        return await acting(line, person)
    if request["action"] in CHANGING and not is_owner:
        text = f"{person} may not say who comes in: only root and the gateway's own user may"
        return orjson.dumps(refused(1, (text,), "use sudo, or ask an administrator to do it on the page")) + b"\n"
    return orjson.dumps(await administer(access, request, person)) + b"\n"


def _about_people(line: bytes) -> dict[str, Any] | None:
    try:
        request = orjson.loads(line)
    except ValueError:
        return None
    if not isinstance(request, dict):
        return None
    action = request.get("action")
    return request if isinstance(action, str) and action in PEOPLE_ACTIONS else None


def _audited(keeping: Keeping, clock: Clock, asked: Mapping[str, Any], by: str, before: object, after: object) -> None:
    """Without waiting for it: what was done holds by the file of people, and a ledger there need not be."""
    keeping.keep_papers((), (), (clock.utc_ns(), audit_body(asked, by, None, (), before, after)))
