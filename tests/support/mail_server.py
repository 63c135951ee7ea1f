"""A mail server in the test's own loop, by aiosmtpd: it takes mails, and fails in every way that one is told to."""

import asyncio
import ssl
import warnings
from collections.abc import Callable
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any, NamedTuple

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

__all__ = ["Mail", "MailServer"]


class Mail(NamedTuple):
    """One that the server has taken."""

    sender: str
    recipients: tuple[str, ...]
    message: EmailMessage

    @property
    def subject(self) -> str:
        return str(self.message["Subject"])

    @property
    def text(self) -> str:
        return str(self.message.get_content())


class MailServer:
    """Listens from `start` on, at the same port each time. `mails` has what was taken, whenever that was."""

    def __init__(
        self,
        *,
        context: ssl.SSLContext | None = None,
        from_the_first_byte: bool = False,
        user: tuple[str, str] | None = None,
    ) -> None:
        self._context = context
        self._from_the_first_byte = from_the_first_byte
        self._user = user
        self._server: asyncio.Server | None = None
        self._protocols: set[_Protocol] = set()
        self.port = 0
        self.mails: list[Mail] = []
        self.conversations = 0
        self.refuse: Callable[[str], str | None] = lambda _: None
        """By recipient: the answer that refuses."""
        self.answer_data: Callable[[], str | None] = lambda: None
        """The answer to a mail in place of taking it."""
        self.hangs_at = ""
        """At `HELO` or `DATA` it says no more."""
        self.dies_in_data = False
        """Takes the mail and ends the connection without an answer: nobody knows whether it has."""

    async def start(self) -> None:
        loop = asyncio.get_running_loop()
        tls = self._context if self._from_the_first_byte else None
        self._server = await loop.create_server(self._make, "127.0.0.1", self.port, ssl=tls)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for protocol in list(self._protocols):
            protocol.cut()
        # The loop closes what was cut in its next turns.
        for _ in range(3):
            await asyncio.sleep(0)

    def _make(self) -> "_Protocol":
        self.conversations += 1
        starttls = None if self._from_the_first_byte else self._context
        with warnings.catch_warnings():
            # It warns of a password over an open connection, which is what some tests are about.
            warnings.simplefilter("ignore", UserWarning)
            return self._protocol(starttls)

    def _protocol(self, starttls: ssl.SSLContext | None) -> "_Protocol":
        return _Protocol(
            self,
            self._protocols,
            hostname="mail.example",
            tls_context=starttls,
            require_starttls=False,
            authenticator=self._authenticate if self._user is not None else None,
            auth_required=self._user is not None,
            auth_require_tls=False,
            loop=asyncio.get_running_loop(),
            enable_SMTPUTF8=True,
        )

    def _authenticate(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        assert isinstance(data, LoginPassword)
        assert self._user is not None
        well = (data.login.decode(), data.password.decode()) == self._user
        return AuthResult(success=well, handled=well)

    # As aiosmtpd calls its handler

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = hostname
        if self.hangs_at == "HELO":
            await asyncio.Event().wait()
        return responses

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        refusal = self.refuse(address)
        if refusal is not None:
            return refusal
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.hangs_at == "DATA":
            await asyncio.Event().wait()
        answer = self.answer_data()
        if answer is not None:
            return answer
        assert isinstance(envelope.content, bytes)
        assert envelope.mail_from is not None
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.mails.append(Mail(envelope.mail_from, tuple(envelope.rcpt_tos), message))
        if self.dies_in_data:
            assert isinstance(server.transport, asyncio.Transport)
            server.transport.abort()
        return "250 taken"


class _Protocol(SMTP):
    """Known to its server while its connection lasts."""

    def __init__(self, handler: MailServer, among: "set[_Protocol]", **given: Any) -> None:
        super().__init__(handler, **given)
        self._among = among

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._among.add(self)
        super().connection_made(transport)

    def connection_lost(self, error: Exception | None) -> None:
        super().connection_lost(error)
        self._among.discard(self)

    def cut(self) -> None:
        if isinstance(self.transport, asyncio.Transport):
            self.transport.abort()
        self._among.discard(self)
