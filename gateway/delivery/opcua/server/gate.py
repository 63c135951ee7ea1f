"""Who may come: certificates that are trusted, names and passwords, and waits that grow with wrong ones."""

import asyncio
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import NamedTuple, Protocol

import structlog
from cryptography import x509

from gateway.clock import utc_now
from gateway.delivery.opcua.certificates import Certificates, from_bytes, thumbprint, trouble_with_client
from gateway.delivery.opcua.users import UsersFileError, read_users
from gateway.errors import GatewayError
from gateway.process.passwords import BusyError, Passwords

__all__ = ["Admitted", "Gate", "Known", "Refusal", "SignedIn", "uris_in"]

_MOST_ADDRESSES = 1000
_FIRST_WAIT_S = 0.2
_LONGEST_WAIT_S = 10.0
_FORGOTTEN_S = 600.0
_LOGGER = structlog.get_logger("gateway.delivery.opcua")


class Refusal(NamedTuple):
    """Why somebody is not let in."""

    text: str
    is_busy: bool = False


class Admitted(NamedTuple):
    """By name and password."""

    kept: str
    """What stands of the password in the file of users."""


class SignedIn(Protocol):
    """Who has been let in."""

    @property
    def user_name(self) -> str: ...

    @property
    def kept(self) -> str | None:
        """Of its password, as it stood in the file of users then; None: it needed none."""
        ...


class Known(NamedTuple):
    """Who is known at one moment. None: that cannot be told, so that nobody is taken for unknown by it."""

    trusted: frozenset[x509.Certificate] | None
    users: Mapping[str, str] | None
    """By name, what is kept of the password."""
    unreadable: str
    """What cannot be told, and why; empty: all can."""

    def trouble_with(self, der: bytes, signed_in: SignedIn | None, now: datetime) -> str | None:
        """Why one who came with this certificate (empty: with none) may not stay, as a sentence; None: he may."""
        if der:
            certificate = from_bytes(der, "what it has shown")
            trouble = trouble_with_client(certificate, now)
            if trouble is not None:
                return trouble
            if self.trusted is not None and certificate not in self.trusted:
                return "its certificate is trusted no more"
        if signed_in is None or signed_in.kept is None or self.users is None:
            return None
        if signed_in.user_name not in self.users:
            return "its name is no more in the file of users"
        return None if self.users[signed_in.user_name] == signed_in.kept else "its password has been changed"


class Gate:
    """From the loop."""

    def __init__(
        self,
        certificates: Certificates,
        users_file: Path | None,
        anonymous: bool,
        steady_s: Callable[[], float],
        passwords: Passwords | None = None,
    ) -> None:
        self._certificates = certificates
        self._users_file = users_file
        self.anonymous = anonymous
        self._passwords = passwords or Passwords()
        self._steady_s = steady_s
        self._wrong: dict[str, tuple[int, float]] = {}
        """By address: how many wrong passwords, and when the last came."""

    def trouble_with_certificate(self, der: bytes | None) -> str | None:
        """Why a client with this certificate is not let in, as a sentence."""
        if not der:
            return "it shows no certificate"
        try:
            certificate = from_bytes(der, "what it shows")
        except GatewayError as error:
            return str(error)
        trouble = trouble_with_client(certificate, utc_now())
        if trouble is None and not self._certificates.trusts(certificate):
            self._certificates.reject(der)
            mark = thumbprint(certificate)[:16]
            trouble = (
                f"its certificate is not trusted here; `tank-gateway delivery certificate trust {mark}` does, "
                "once somebody has compared it"
            )
        return trouble

    async def admit(self, name: str, password: str, address: str) -> Admitted | Refusal:
        count, last_s = self._wrong.get(address, (0, 0.0))
        if count and self._steady_s() - last_s > _FORGOTTEN_S:
            count = 0
        if count:
            await asyncio.sleep(min(_FIRST_WAIT_S * 2 ** min(count, 10), _LONGEST_WAIT_S))
        if self._users_file is None:
            return Refusal("no file of users is named in the site file")
        try:
            users = await asyncio.get_running_loop().run_in_executor(None, read_users, self._users_file)
            is_right = await self._passwords.matches(users.get(name), password)
        except BusyError as error:
            return Refusal(str(error), is_busy=True)
        except UsersFileError as error:
            _LOGGER.error("delivery.opcua_users_unreadable", reason=str(error))
            return Refusal("the file of users cannot be read")
        if is_right:
            self._wrong.pop(address, None)
            return Admitted(users[name])
        if len(self._wrong) >= _MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]
        self._wrong[address] = (count + 1, self._steady_s())
        return Refusal("name or password is wrong")

    def known(self) -> Known:
        """As it stands in the files now. Blocking."""
        trusted: frozenset[x509.Certificate] | None = None
        users: Mapping[str, str] | None = None
        unreadable = []
        try:
            trusted = self._certificates.trusted_now()
        except OSError as error:
            unreadable.append(f"{error.filename}: {error.strerror}")
        if self._users_file is not None:
            try:
                users = read_users(self._users_file)
            except UsersFileError as error:
                unreadable.append(str(error))
        return Known(trusted, users, "; ".join(unreadable))


def uris_in(der: bytes) -> list[str]:
    """Of an application, by its certificate; none where it names none."""
    try:
        names = x509.load_der_x509_certificate(der).extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except (ValueError, x509.ExtensionNotFound):
        return []
    return names.value.get_values_for_type(x509.UniformResourceIdentifier)
