"""`delivery certificate` and `delivery user`: whom the OPC UA server trusts, and who may read by name and password."""

import argparse
import asyncio
import getpass
import os
import sys
from importlib.util import find_spec
from pathlib import Path

from gateway.clock import utc_now
from gateway.commands.output import write
from gateway.delivery.opcua.delivery import missing_part
from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.delivery.opcua.users import read_users, write_users
from gateway.display import printable
from gateway.errors import GatewayError, UsageError
from gateway.process.passwords import Passwords, trouble_with
from gateway.settings import SiteSettings, load_site

if find_spec("cryptography") is not None:
    from cryptography import x509

    from gateway.delivery.opcua.certificates import (
        LARGEST_BYTES,
        Certificates,
        end_of,
        from_bytes,
        own_names,
        thumbprint,
    )

__all__ = ["add_certificate_arguments", "add_user_arguments", "certificate", "user"]

_ACTS = ("list", "make", "trust", "withdraw")
_CERTIFICATE_EPILOG = """Our own certificate is made at the first start; `make` makes another, which each client then
has to trust anew. A client that nobody trusts yet is refused, and its certificate lies in `rejected`: compare its
SHA-256 with what that client shows, then trust it by the beginning of that number, or by its file.
Examples: tank-gateway delivery certificate site.yaml list
          tank-gateway delivery certificate site.yaml trust 4f1c02ab
          tank-gateway delivery certificate site.yaml trust historian.der
          tank-gateway delivery certificate site.yaml withdraw 4f1c02ab
`trust` holds from the next connection on; `withdraw` ends within 10 s what is open by it. Nothing has to be started
anew, but for `make`."""
_USER_EPILOG = """The password is asked for, or read from a pipe. It holds from the next log-in on; what is
open by another password, or by a name that is removed, ends within 10 s.
Examples: tank-gateway delivery user site.yaml historian
          tank-gateway delivery user site.yaml historian --remove"""
_SHORTEST_MARK = 6


def add_certificate_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _CERTIFICATE_EPILOG
    parser.add_argument("site", metavar="SITE_FILE")
    parser.add_argument("act", choices=_ACTS, metavar="ACT", help=", ".join(_ACTS))
    parser.add_argument("which", metavar="WHICH", nargs="?", help="a file, or how the SHA-256 of one begins")
    parser.add_argument("--name", help="of the server, where the site has several")


def add_user_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _USER_EPILOG
    parser.add_argument("site", metavar="SITE_FILE")
    parser.add_argument("user", metavar="NAME", help="of who reads")
    parser.add_argument("--remove", action="store_true", help="let it in no more")
    parser.add_argument("--name", help="of the server, where the site has several")


def certificate(arguments: argparse.Namespace) -> int:
    lacking = missing_part()
    if lacking is not None:
        raise GatewayError(lacking)
    settings = load_site(arguments.site)
    folder = Certificates(_plan(settings, arguments.name).certificates)
    if arguments.act in ("trust", "withdraw") and not arguments.which:
        raise UsageError(f"{arguments.act}: which one?", "give its file or how its SHA-256 begins")
    try:
        if arguments.act == "make":
            _make(folder, settings, _plan(settings, arguments.name))
        elif arguments.act == "trust":
            _trust(folder, arguments.which)
        elif arguments.act == "withdraw":
            _withdraw(folder, arguments.which)
        else:
            _list(folder)
    except OSError as error:
        raise GatewayError(f"{error.filename or folder.folder}: {error.strerror}") from error
    return 0


def _make(folder: "Certificates", settings: SiteSettings, plan: OpcuaPlan) -> None:
    made = folder.make_own(settings.name, own_names(plan.host), utc_now())
    write(f"made {folder.own}", _told(made), "start the gateway anew; each client has to trust this one")


def _trust(folder: "Certificates", which: str) -> None:
    if Path(which).is_file():
        found = from_bytes(Path(which).read_bytes()[:LARGEST_BYTES], which)
    else:
        if len(which) < _SHORTEST_MARK:
            raise UsageError(f"'{which}' is too short", f"give {_SHORTEST_MARK} characters of its SHA-256 at least")
        matching = [
            each.certificate
            for each in folder.rejected()
            if each.certificate is not None and thumbprint(each.certificate).startswith(which.lower())
        ]
        if len(matching) != 1:
            what = "no certificate" if not matching else f"{len(matching)} certificates"
            raise GatewayError(f"{what} in {folder.folder / 'rejected'} begin so: {printable(which)}")
        (found,) = matching
    write(f"trusted from now on: {folder.trust(found)}", _told(found))


def _withdraw(folder: "Certificates", which: str) -> None:
    if len(which) < _SHORTEST_MARK:
        raise UsageError(f"'{which}' is too short", f"give {_SHORTEST_MARK} characters of its SHA-256 at least")
    gone = folder.withdraw(which)
    if gone is None:
        raise GatewayError(f"no certificate that is trusted begins so: {printable(which)}")
    write(f"trusted no more: {gone}", "who is connected by it is cut off within 10 s, where the gateway runs")


def _list(folder: "Certificates") -> None:
    own = folder.own_certificate()
    write("our own:", "  none yet; it is made at the first start" if own is None else _told(own))
    for title, found in (("trusted:", folder.trusted()), ("rejected:", folder.rejected())):
        lines = [
            f"  {each.file.name} is no certificate" if each.certificate is None else _told(each.certificate)
            for each in found
        ]
        write(title, *(lines or ["  none"]))


def _told(given: "x509.Certificate") -> str:
    return printable(f"  {thumbprint(given)}  until {end_of(given):%Y-%m-%d}  {given.subject.rfc4514_string()}")


def user(arguments: argparse.Namespace) -> int:
    plan = _plan(load_site(arguments.site), arguments.name)
    if plan.users_file is None:
        raise GatewayError("the site file names no file of users", "give delivery: opcua: users_file")
    if not arguments.user.strip() or " " in arguments.user or not arguments.user.isprintable():
        raise UsageError(f"'{printable(arguments.user)}' is no name of a user", "a word without spaces")
    users = read_users(plan.users_file) if os.path.lexists(plan.users_file) else {}
    if arguments.remove:
        if users.pop(arguments.user, None) is None:
            raise GatewayError(f"{plan.users_file} names no {printable(arguments.user)}")
    else:
        users[arguments.user] = asyncio.run(Passwords().hashed(_password(arguments.user)))
    try:
        write_users(plan.users_file, users)
    except OSError as error:
        raise GatewayError(f"{plan.users_file}: {error.strerror}") from error
    write(f"{plan.users_file}: {', '.join(users) or 'nobody'}")
    return 0


def _password(name: str) -> str:
    """Typed twice, or the first line of a pipe."""
    if sys.stdin.isatty():
        typed = getpass.getpass("password: ")
        if getpass.getpass("once more: ") != typed:
            raise UsageError("the two are not the same", "type it again")
    else:
        typed = sys.stdin.readline().rstrip("\n")
    trouble = trouble_with(typed, (name,))
    if trouble is not None:
        raise UsageError(trouble, "choose another")
    return typed


def _plan(settings: SiteSettings, name: str | None) -> OpcuaPlan:
    found = [each for each in settings.deliveries if isinstance(each, OpcuaPlan) and name in (None, each.name)]
    if len(found) != 1:
        what = "no OPC UA server" if not found else f"{len(found)} OPC UA servers"
        raise UsageError(f"the site file has {what}" + (f" called {name}" if name else ""), "say which by --name")
    return found[0]
