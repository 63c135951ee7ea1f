"""`people`: who may come to the page, and as what: of the gateway that runs here, or of its file while none does."""

import argparse
import asyncio
import os
from pathlib import Path
from typing import Any

import structlog

from gateway.clock import SystemClock
from gateway.commands.operator.door_client import asked, tell_answer
from gateway.commands.which_gateway import chosen_gateway
from gateway.errors import GatewayError, UsageError
from gateway.person import Role
from gateway.process.memory_file import state_directory
from gateway.process.running import found_gateways
from gateway.web.access.access import Access
from gateway.web.access.administration import administer
from gateway.web.access.people_file import PeopleFile, people_path

__all__ = ["add_arguments", "execute"]

_INSTALLED = Path("/var/lib/tank-gateway")
"""The state directory that the unit gives to an installed gateway."""
_NOT_IN_TRAIL = "no gateway runs: this stands in no audit trail"
_ROLES = [role.value for role in Role]

_EPILOG = """Nobody has a password from the start. Who is invited gets a code, shown here once, good once and for a day
(an administrator's for an hour), and chooses name and password with it on the page; for somebody who is here already
it makes a new password, and ends what was open. A viewer looks; an operator acts on alarms, dips and transfers; a
technician also on maintenance; an accountant on densities, amounts, tickets and days; an administrator on everything,
and people. Root and the gateway's own user may do this; members of its group may list.
Examples: tank-gateway people invite --role administrator
          tank-gateway people invite "Anna B" --role operator
          tank-gateway people role "Anna B" technician
          tank-gateway people remove "Anna B"
          tank-gateway people end-sessions
Exit codes: 0 done; 1 it could not be done; 2 typed wrongly."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    acts = parser.add_subparsers(dest="act", metavar="ACT", title="acts", required=True)
    listing = acts.add_parser("list", help="show who may come, who is signed in, which codes are open")
    invite = acts.add_parser("invite", help="make a one-time code, for somebody new or for a new password")
    invite.add_argument("name", metavar="NAME", nargs="?", help="for whom; whoever has the code chooses unless given")
    invite.add_argument("--role", choices=_ROLES, help="what that person is; needed of somebody new")
    role = acts.add_parser("role", help="make somebody something else; he signs in anew")
    role.add_argument("name", metavar="NAME")
    role.add_argument("role", choices=_ROLES)
    remove = acts.add_parser("remove", help="let somebody in no more, or take back the code made for him")
    remove.add_argument("name", metavar="NAME")
    ending = acts.add_parser("end-sessions", help="make somebody sign in anew, or everybody")
    ending.add_argument("name", metavar="NAME", nargs="?", help="everybody unless given")
    for one in (listing, invite, role, remove, ending):
        one.add_argument("--site", metavar="NAME", help="name of its site; needed where several run, or none does")
        one.add_argument("--process", metavar="NUMBER", type=int, help="number of its process, instead")
        one.add_argument("--state", metavar="FOLDER", type=Path, help="where people are kept, while no gateway runs")
        one.add_argument("--json", action="store_true", help="print the answer for a program")


def execute(arguments: argparse.Namespace) -> int:
    request = {"action": f"people-{arguments.act}"}
    request |= {key: given for key in ("name", "role") if (given := getattr(arguments, key, None)) is not None}
    runs = any(arguments.site in (None, found.running.site) for found in found_gateways())
    if runs or arguments.site is None or arguments.process is not None:
        found = chosen_gateway(arguments.site, arguments.process, "say which by --site or --process")
        return tell_answer(asked(found, request), as_json=arguments.json)
    answer = asyncio.run(_on_file(people_path(_folder(arguments.state), arguments.site), arguments.site, request))
    return tell_answer(answer, as_json=arguments.json)


def _folder(given: Path | None) -> Path:
    folder = given or state_directory() or (_INSTALLED if _INSTALLED.is_dir() else None)
    if folder is None or not folder.is_dir():
        what = "there is no gateway here to ask" if folder is None else f"there is no folder {folder}"
        raise UsageError(what, "start it, or say by --state in which folder it keeps people")
    return folder


async def _on_file(path: Path, site: str, request: dict[str, str]) -> dict[str, Any]:
    # What a gateway logs, whoever typed this is told.
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger("critical"))
    file = PeopleFile(path)
    access = Access(site, SystemClock(), file)
    answer = await administer(access, request, f"user {os.geteuid()}")
    file.release()
    _give_to_owner(path)
    if answer["code"] == 0 and request["action"] != "people-list":
        answer["notes"] = [*answer.get("notes", ()), _NOT_IN_TRAIL]
    return answer


def _give_to_owner(path: Path) -> None:
    """What root has made belongs to whoever the folder does, who has to read it. Raises GatewayError."""
    if os.geteuid() != 0:
        return
    owner = path.parent.stat()
    try:
        for each in (path, Path(f"{path}.lock")):
            if each.exists():
                os.chown(each, owner.st_uid, owner.st_gid, follow_symlinks=False)
    except OSError as error:
        raise GatewayError(f"{path} cannot be given to the owner of its folder: {error.strerror}") from error
