"""The files behind a connection: password, certificates. Read anew at each connect, in a thread, never logged."""

import asyncio
import os
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar

from gateway import files
from gateway.delivery.plan import TlsPlan
from gateway.errors import DeliveryError
from gateway.files import UnreadableError, read_bytes, read_text

__all__ = ["HasSecrets", "password", "secret", "tls_context", "trouble_with"]

_LARGEST_PASSWORD = 65_535
"""MQTT has no longer ones (3.1.1, section 3.1.3.5)."""
_LARGEST_CERTIFICATES = 4_000_000

Argument = TypeVar("Argument")
Result = TypeVar("Result")


class HasSecrets(Protocol):
    """The part of a plan that names them."""

    @property
    def password_file(self) -> Path | None: ...

    @property
    def tls(self) -> TlsPlan | None: ...

    @property
    def timeout_s(self) -> float: ...


class _ClosedOnFailure(ssl.SSLSocket):
    """paho leaves a socket whose handshake failed to the garbage collector, one for every attempt."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


async def password(plan: HasSecrets) -> str | None:
    """The password, without the line end an editor leaves behind it. Raises DeliveryError naming the file."""
    return await secret(plan.password_file, None, plan.timeout_s)


async def tls_context(plan: HasSecrets) -> ssl.SSLContext | None:
    """None: no TLS. Certificate and host name of the server are always verified. Raises DeliveryError."""
    if plan.tls is None:
        return None
    return await _aside(plan.timeout_s, _make_context, plan.tls)


async def secret(file: Path | None, variable: str | None, timeout_s: float) -> str | None:
    """What is in the file, or in the variable of the environment; None where neither is named. Raises DeliveryError."""
    if file is not None:
        return await _aside(timeout_s, _read_password, file)
    if variable is None:
        return None
    found = os.environ.get(variable)
    if not found:
        raise DeliveryError(f"the environment variable {variable} is not set")
    return found


def trouble_with(plan: HasSecrets) -> list[str]:
    """What keeps these files from being used, as they are now, beside that one is not there or may not be read."""
    found = []
    try:
        if plan.password_file is not None and _can_be_read(plan.password_file):
            _read_password(plan.password_file)
    except DeliveryError as exc:
        found.append(str(exc))
    try:
        if plan.tls is not None and _can_be_read(plan.tls.ca, plan.tls.certificate, plan.tls.key):
            _make_context(plan.tls)
    except DeliveryError as exc:
        found.append(str(exc))
    return found


def _can_be_read(*paths: Path | None) -> bool:
    return all(path is None or files.trouble_with(path) is None for path in paths)


async def _aside(timeout_s: float, read: Callable[[Argument], Result], argument: Argument) -> Result:
    """In a thread, which a dead network drive may hold up for ever."""
    try:
        async with asyncio.timeout(timeout_s):
            return await asyncio.to_thread(read, argument)
    except TimeoutError as exc:
        raise DeliveryError(f"the files of secrets were not read within {timeout_s:g} s") from exc


def _read_password(path: Path) -> str:
    try:
        return read_text(path, _LARGEST_PASSWORD).rstrip("\r\n")
    except UnreadableError as exc:
        raise DeliveryError(f"password file {exc}") from exc


def _make_context(plan: TlsPlan) -> ssl.SSLContext:
    for what, file in (("CA file", plan.ca), ("client certificate", plan.certificate), ("key", plan.key)):
        _check_size(what, file)
    try:
        context = ssl.create_default_context(cafile=None if plan.ca is None else str(plan.ca))
    except OSError as exc:  # ssl.SSLError is one
        raise DeliveryError(f"cannot use CA file {plan.ca}: {_text(exc)}") from exc
    context.sslsocket_class = _ClosedOnFailure
    if plan.certificate is not None:
        try:
            # Without a password given, an encrypted key would make OpenSSL ask on the terminal.
            context.load_cert_chain(plan.certificate, plan.key, password="")
        except OSError as exc:
            key = "" if plan.key is None else f" with key {plan.key}"
            raise DeliveryError(f"cannot use client certificate {plan.certificate}{key}: {_text(exc)}") from exc
    return context


def _check_size(what: str, file: Path | None) -> None:
    """Before the library reads it to its end, which a device has not."""
    if file is None:
        return
    try:
        read_bytes(file, _LARGEST_CERTIFICATES)
    except UnreadableError as exc:
        raise DeliveryError(f"cannot use {what} {exc}") from exc


def _text(exc: OSError) -> str:
    if isinstance(exc, ssl.SSLError):
        return (exc.reason or "not a certificate or key in PEM form").replace("_", " ").lower()
    return exc.strerror or str(exc)
