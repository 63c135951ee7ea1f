"""TLS from files, taken anew when they change: connections go on, and each handshake has the newest that is whole.

Files are read in a thread. Of a pair that does not fit together, as in the middle of a change, the old one stays.
"""

import asyncio
import os
import ssl
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import structlog

from gateway.clock import Clock
from gateway.errors import GatewayError
from gateway.files import UnreadableError, read_text
from gateway.process.one_thread import OneThread, done_within
from gateway.web.access.certificate import CertificateError, first_certificate, holds_until
from gateway.web.access.plan import TlsFiles

__all__ = ["SOON_S", "Tls", "TlsError", "certificate_trouble"]

CERTIFICATE_TAKEN = "tls.certificate_taken"
CERTIFICATE_REFUSED = "tls.certificate_refused"
CERTIFICATE_ENDS = "tls.certificate_ends"

SOON_S = 30 * 86_400.0
"""Long enough before its end that somebody can have another."""
_LARGEST_BYTES = 1_000_000
_READ_S = 10.0
_LOOK_S = 10.0
_SAY_AGAIN_S = 86_400.0

Stamp = tuple[tuple[int, int, int], ...]


def nobody_told(_until_s: float) -> None: ...


class TlsError(GatewayError):
    """Certificate or key cannot be used. Trying again helps once they are mended."""


class Loaded(NamedTuple):
    """A pair that fits together."""

    context: ssl.SSLContext
    until: datetime
    stamp: Stamp


class Tls:
    """Of one server. `context` is what it listens with."""

    def __init__(self, files: TlsFiles, clock: Clock, tell_end: Callable[[float], None] = nobody_told) -> None:
        """`tell_end`: is told when the certificate in use ends, UTC, whenever it is looked at."""
        self._files = files
        self._clock = clock
        self._tell_end = tell_end
        self._thread = OneThread("certificates")
        self._loaded: Loaded | None = None
        self._reading: Future[Loaded | None] | None = None
        self._refused = ""
        self._said_at_s: float | None = None
        self._log = structlog.get_logger("gateway.web")
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.sni_callback = self._choose
        # No session of one certificate goes on under another.
        self.context.options |= ssl.OP_NO_TICKET
        self.context.num_tickets = 0
        _harden(self.context)

    @property
    def until(self) -> datetime | None:
        """Until when the certificate in use holds."""
        return None if self._loaded is None else self._loaded.until

    async def begin(self) -> None:
        """Raises TlsError where there is nothing to listen with."""
        if self._loaded is None:
            reading = self._thread.do(lambda: _load(self._files))
            if not await done_within(reading, _READ_S):
                raise TlsError(f"{self._files.certificate} was not read within {_READ_S:g} s")
            self._loaded = reading.result()
            self._say_end()

    async def watch(self) -> None:
        """Until cancelled."""
        while True:
            await asyncio.sleep(_LOOK_S)
            await self.look()

    async def look(self) -> None:
        """Take what is there now, where that is another."""
        loaded = self._loaded
        if self._reading is None:
            self._reading = self._thread.do(lambda: _changed(self._files, loaded))
        reading = self._reading
        if await done_within(reading, _READ_S):
            self._reading = None
            self._take(reading)
        self._say_end()

    def end(self) -> None:
        self._thread.end()

    def _take(self, reading: "Future[Loaded | None]") -> None:
        error = reading.exception()
        if error is not None:
            if str(error) != self._refused:
                self._refused = str(error)
                self._log.error(CERTIFICATE_REFUSED, trouble=str(error), hint="the one before it goes on")
            return
        self._refused = ""
        loaded = reading.result()
        if loaded is not None:
            self._loaded = loaded
            self._said_at_s = None
            self._log.info(CERTIFICATE_TAKEN, file=str(self._files.certificate), until=loaded.until.isoformat())

    def _say_end(self) -> None:
        """Each day from a month before on."""
        if self._loaded is None:
            return
        self._tell_end(self._loaded.until.timestamp())
        left_s = self._loaded.until.timestamp() - self._clock.utc_ns() / 1e9
        monotonic_s = self._clock.monotonic_ns() / 1e9
        said = self._said_at_s is not None and monotonic_s - self._said_at_s < _SAY_AGAIN_S
        if left_s < SOON_S and not said:
            self._said_at_s = monotonic_s
            file, until = str(self._files.certificate), self._loaded.until.isoformat()
            self._log.warning(CERTIFICATE_ENDS, file=file, until=until, hint="put another in its place; it is taken")

    def _choose(self, handshake: ssl.SSLSocket | ssl.SSLObject, _name: str | None, _of: ssl.SSLContext) -> None:
        """Called in every handshake, with a server name or without."""
        if self._loaded is not None:
            handshake.context = self._loaded.context


def certificate_trouble(files: TlsFiles, now: datetime) -> str | None:
    """Why nothing can be served with these as they are now, or that it soon cannot; None where all is well."""
    try:
        until = _load(files).until
    except TlsError as error:
        return str(error)
    left = until - now
    if left.total_seconds() < SOON_S:
        when = "has ended" if left.total_seconds() <= 0.0 else f"ends in {left.days} d"
        return f"the certificate {files.certificate} {when} ({until.date().isoformat()}); have another made"
    return None


def _changed(files: TlsFiles, loaded: Loaded | None) -> Loaded | None:
    """What is there now; None where that is what is in use. Raises TlsError."""
    return None if loaded is not None and _stamp(files) == loaded.stamp else _load(files)


def _load(files: TlsFiles) -> Loaded:
    """Raises TlsError."""
    stamp = _stamp(files)
    try:
        until = holds_until(first_certificate(read_text(files.certificate, _LARGEST_BYTES)))
        read_text(files.key, _LARGEST_BYTES)
    except UnreadableError as error:
        raise TlsError(f"cannot serve over TLS: {error}") from error
    except CertificateError as error:
        raise TlsError(f"cannot serve over TLS: {files.certificate}: {error}") from error
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    _harden(context)
    try:
        # Without a password given, an encrypted key would make OpenSSL ask on the terminal.
        context.load_cert_chain(files.certificate, files.key, password="")
    except OSError as error:  # ssl.SSLError is one
        reason = (error.reason if isinstance(error, ssl.SSLError) else error.strerror) or "not in PEM form"
        words = reason.replace("_", " ").lower()
        pair = f"{files.certificate} with key {files.key}"
        raise TlsError(f"cannot serve over TLS: {pair}: {words}") from error
    return Loaded(context, until.astimezone(UTC), stamp)


def _stamp(files: TlsFiles) -> Stamp:
    """By what a change of either shows. Raises TlsError."""
    return _stamp_of(files.certificate), _stamp_of(files.key)


def _stamp_of(path: Path) -> tuple[int, int, int]:
    try:
        found = os.stat(path)
    except OSError as error:
        raise TlsError(f"cannot serve over TLS: {path}: {(error.strerror or str(error)).lower()}") from error
    return found.st_ino, found.st_size, found.st_mtime_ns


def _harden(context: ssl.SSLContext) -> None:
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
    context.set_alpn_protocols(["http/1.1"])
