"""Modbus/TCP Security behind the door: MBAP frames inside TLS, each side with a certificate.

MODBUS/TCP Security Protocol Specification (MB-TCP-Security-v21): TLS 1.2 or newer, mutual authentication, port 802.
What the server may allow this gateway by the role in its certificate is the server's affair.

The server's certificate is always verified, against the given authorities only and for the host of the line's address.
The files are read at each connect, so that a renewed certificate is taken up with the next connection.
"""

import asyncio
import ssl
from pathlib import Path

from gateway.acquisition.links.link import LinkCounters
from gateway.acquisition.links.modbus_tcp import MbapConnection, ModbusTcpLink
from gateway.acquisition.links.tcp_socket import plain_cause
from gateway.acquisition.links.transaction_numbers import TransactionNumbers
from gateway.acquisition.plan import TlsFiles
from gateway.errors import NoConnectionError
from gateway.files import UnreadableError, read_bytes

__all__ = ["ModbusTlsLink", "trouble_with"]

_LARGEST_FILE = 4_000_000


class ModbusTlsLink(ModbusTcpLink):
    """A `Link` over Modbus/TCP Security. It reconnects only when told to."""

    def __init__(self, host: str, port: int, files: TlsFiles) -> None:
        super().__init__(host, port)
        self._files = files

    async def connect(self, timeout_s: float) -> None:
        await self.close()
        context = _context(self._files)
        try:
            async with asyncio.timeout(timeout_s):
                connection = await self._shake_hands(context)
        except TimeoutError as exc:
            raise NoConnectionError(f"no connection within {timeout_s:g} s") from exc
        except (OSError, UnicodeError) as exc:
            # A host name that cannot even be encoded for a look-up raises UnicodeError.
            raise NoConnectionError(_plain_cause(exc, self._host)) from exc
        if connection.end is not None:
            raise connection.end
        self._connection = connection

    async def _shake_hands(self, context: ssl.SSLContext) -> MbapConnection:
        loop = asyncio.get_running_loop()
        begun_s = loop.time()
        transport, connection = await loop.create_connection(
            lambda: _TlsConnection(loop, self._counters, self._numbers, self._host, bears_foreign=self.bears_foreign),
            self._host,
            self._port,
            ssl=context,
            server_hostname=self._host,
        )
        try:
            if transport.get_extra_info("ssl_object").version() == "TLSv1.3":
                # There a server that refuses the client's certificate says so after the handshake: one round trip
                # later, which took no longer than what has passed.
                await asyncio.wait([connection.closed], timeout=2 * (loop.time() - begun_s))
        except BaseException:
            connection.shut(NoConnectionError("the connection was closed here"))
            raise
        return connection


class _TlsConnection(MbapConnection):
    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        counters: LinkCounters,
        numbers: TransactionNumbers,
        host: str,
        *,
        bears_foreign: bool,
    ) -> None:
        super().__init__(loop, counters, numbers, bears_foreign=bears_foreign)
        self._host = host
        self._heard = False

    def data_received(self, data: bytes) -> None:
        self._heard = True
        super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        if isinstance(exc, ssl.SSLError) or not self._heard:
            error = NoConnectionError(_plain_cause(exc or ConnectionResetError(), self._host))
            error.__cause__ = exc
            self.shut(error)
        super().connection_lost(exc)


def trouble_with(files: TlsFiles) -> str | None:
    """What keeps these files from being used, as they are now; None when nothing does."""
    try:
        _context(files)
    except NoConnectionError as exc:
        return str(exc)
    return None


def _context(files: TlsFiles) -> ssl.SSLContext:
    """Raises NoConnectionError naming the file that is not as it should be."""
    for what, file in (("CA file", files.ca), ("certificate", files.certificate), ("key", files.key)):
        _check_readable(what, file)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # verifies the certificate and the host
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_verify_locations(files.ca)
    except (ssl.SSLError, ValueError) as exc:
        raise NoConnectionError(f"the CA file {files.ca} holds no certificate in PEM form") from exc
    try:
        # An empty password, so that a protected key is refused: the library would ask at the terminal.
        context.load_cert_chain(files.certificate, files.key, password="")
    except (ssl.SSLError, ValueError) as exc:
        if isinstance(exc, ssl.SSLError) and exc.reason == "KEY_VALUES_MISMATCH":
            raise NoConnectionError(f"the key {files.key} does not belong to {files.certificate}") from exc
        text = f"{files.certificate} and {files.key} are no certificate and unprotected key in PEM form"
        raise NoConnectionError(text) from exc
    return context


def _check_readable(what: str, file: Path) -> None:
    try:
        read_bytes(file, _LARGEST_FILE)
    except UnreadableError as exc:
        raise NoConnectionError(f"the {what} {file} {exc.cause}") from exc


def _plain_cause(exc: Exception, host: str) -> str:
    if isinstance(exc, ssl.SSLCertVerificationError):
        return f"the certificate of {host} is refused: {exc.verify_message}"
    if isinstance(exc, ssl.SSLError):
        reason = exc.reason or str(exc)
        if "ALERT" in reason:
            alert = reason.rpartition("ALERT_")[2].replace("_", " ").lower()
            return f"{host} refused this gateway's certificate or its TLS: {alert}"
        if reason in ("WRONG_VERSION_NUMBER", "RECORD_LAYER_FAILURE"):
            return f"{host} does not speak TLS on this port"
        return f"TLS with {host} failed: {reason.replace('_', ' ').lower()}"
    if isinstance(exc, ConnectionError) and not isinstance(exc, ConnectionRefusedError):
        return f"{host} hung up before it answered anything; it may not accept this gateway's certificate"
    return plain_cause(exc)
