"""The files behind a connection: password, certificates. Read anew at each connect, in a thread, never logged."""

import asyncio
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from gateway.delivery.plan import MqttPlan, TlsPlan
from gateway.errors import DeliveryError

__all__ = ["password", "tls_context"]

Argument = TypeVar("Argument")
Result = TypeVar("Result")


class _ClosedOnFailure(ssl.SSLSocket):
    """paho leaves a socket whose handshake failed to the garbage collector, one for every attempt."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


async def password(plan: MqttPlan) -> str | None:
    """The password, without the line end an editor leaves behind it. Raises DeliveryError naming the file."""
    if plan.password_file is None:
        return None
    return await _aside(plan.timeout_s, _read_password, plan.password_file)


async def tls_context(plan: MqttPlan) -> ssl.SSLContext | None:
    """None: no TLS. Certificate and host name of the server are always verified. Raises DeliveryError."""
    if plan.tls is None:
        return None
    return await _aside(plan.timeout_s, _make_context, plan.tls)


async def _aside(timeout_s: float, read: Callable[[Argument], Result], argument: Argument) -> Result:
    """In a thread, which a dead network drive may hold up for ever."""
    try:
        async with asyncio.timeout(timeout_s):
            return await asyncio.to_thread(read, argument)
    except TimeoutError as exc:
        raise DeliveryError(f"the files of secrets were not read within {timeout_s:g} s") from exc


def _read_password(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").rstrip("\r\n")
    except OSError as exc:
        raise DeliveryError(f"cannot read password file {path}: {exc.strerror}") from exc
    except UnicodeDecodeError:
        # The decoding error quotes bytes of the password, so it must not travel on as a cause.
        raise DeliveryError(f"password file {path} is not UTF-8 text") from None


def _make_context(plan: TlsPlan) -> ssl.SSLContext:
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


def _text(exc: OSError) -> str:
    if isinstance(exc, ssl.SSLError):
        return (exc.reason or "not a certificate or key in PEM form").replace("_", " ").lower()
    return exc.strerror or str(exc)
