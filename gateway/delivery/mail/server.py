"""One conversation with a mail server: the one place that knows aiosmtplib. Each answer has a deadline, and so have all
of them together."""

import asyncio
import ssl
from collections.abc import Awaitable, Mapping
from contextlib import suppress
from typing import NamedTuple, TypeVar

import aiosmtplib

from gateway.delivery.faults import DeliveryFault, FaultKind
from gateway.delivery.mail.plan import MailPlan

__all__ = ["MailServer", "Refusal"]

_GOODBYE_S = 2.0
_LONGEST_TOLD = 200
Answer = TypeVar("Answer")


class Refusal(NamedTuple):
    """Why the server does not take a mail for somebody."""

    text: str
    is_passing: bool
    """Whether it may take it later, as one that makes strangers wait does."""


class MailServer:
    """Raises DeliveryFault. After any it is of no use: `abort` it."""

    def __init__(self, plan: MailPlan) -> None:
        self._plan = plan
        self._smtp: aiosmtplib.SMTP | None = None

    async def open(self, password: str | None, tls: ssl.SSLContext | None) -> None:
        """Connected, encrypted and signed in, as the plan says."""
        plan = self._plan
        self._smtp = aiosmtplib.SMTP(
            hostname=plan.host,
            port=plan.port,
            timeout=plan.timeout_s,
            use_tls=plan.encryption == "tls",
            start_tls=False,
            tls_context=tls,
            # A server asks for a name that there is; that of this machine is often none.
            local_hostname=plan.sender.rpartition("@")[2].encode("idna").decode(),
        )
        await self._answer(self._greet(self._smtp, password))

    async def send(self, message: bytes, recipients: tuple[str, ...]) -> Mapping[str, Refusal]:
        """Who did not get it, and why: some only, or all; the server has taken it for all others."""
        assert self._smtp is not None
        try:
            refused, _ = await self._answer(self._smtp.sendmail(self._plan.sender, recipients, message))
        except _AllRefused as exc:
            return exc.refusals
        return {address: _refusal(answer.code, answer.message) for address, answer in refused.items()}

    async def close(self) -> None:
        """In good order as far as that is quick."""
        if self._smtp is not None and self._smtp.is_connected:
            with suppress(aiosmtplib.SMTPException, OSError):
                await self._smtp.quit(timeout=_GOODBYE_S)
        self.abort()

    def abort(self) -> None:
        """At once and without a word."""
        if self._smtp is not None:
            self._smtp.close()

    async def _greet(self, smtp: aiosmtplib.SMTP, password: str | None) -> None:
        await smtp.connect()
        await smtp.ehlo()
        if self._plan.encryption == "starttls":
            if not smtp.supports_extension("starttls"):
                text = "server offers no STARTTLS; where it speaks TLS from the first byte on write `encryption: tls`"
                raise DeliveryFault(FaultKind.PERSON, text)
            await smtp.starttls()
            await smtp.ehlo()
        if self._plan.user_name is not None:
            if not smtp.supports_extension("auth"):
                raise DeliveryFault(FaultKind.PERSON, "server takes no user and password over this connection")
            await smtp.login(self._plan.user_name, password or "")

    async def _answer(self, waiting: Awaitable[Answer]) -> Answer:
        try:
            async with asyncio.timeout(self._plan.conversation_s):
                return await waiting
        except aiosmtplib.SMTPRecipientsRefused as exc:
            raise _AllRefused({each.recipient: _refusal(each.code, each.message) for each in exc.recipients}) from exc
        except (aiosmtplib.SMTPException, OSError, ValueError) as exc:
            raise _told(exc, self._plan.timeout_s) from exc


class _AllRefused(Exception):  # noqa: N818
    def __init__(self, refusals: Mapping[str, Refusal]) -> None:
        self.refusals = refusals
        super().__init__()


def _refusal(code: int, message: str) -> Refusal:
    return Refusal(f"{_line(message)} ({code})", code < 500)


def _told(exc: BaseException, timeout_s: float) -> DeliveryFault:
    """The fault that an exception means."""
    causes: list[BaseException] = []
    each: BaseException | None = exc
    while each is not None and each not in causes:
        causes.append(each)
        each = each.__cause__
    for cause in causes:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return DeliveryFault(FaultKind.PERSON, f"server certificate not accepted: {cause.verify_message}")
        if isinstance(cause, ssl.SSLError):
            return DeliveryFault(FaultKind.PASSING, f"TLS failed: {cause.reason or cause}")
    if isinstance(exc, aiosmtplib.SMTPResponseException):
        # RFC 5321, section 4.2.1: 4 may be over later, 5 is for good as things are.
        kind = FaultKind.PERSON if exc.code >= 500 else FaultKind.PASSING
        what = "refuses user and password" if isinstance(exc, aiosmtplib.SMTPAuthenticationError) else "says"
        return DeliveryFault(kind, f"server {what}: {_line(exc.message)} ({exc.code})")
    if any(isinstance(cause, TimeoutError) for cause in causes):
        return DeliveryFault(FaultKind.PASSING, f"server did not answer within {timeout_s:g} s")
    if isinstance(exc, aiosmtplib.SMTPNotSupported | ValueError):
        return DeliveryFault(FaultKind.PERSON, f"server cannot take this: {_line(str(exc))}")
    for cause in causes:
        if isinstance(cause, OSError) and cause.strerror:
            return DeliveryFault(FaultKind.PASSING, cause.strerror)
    return DeliveryFault(FaultKind.PASSING, _line(str(exc)) or type(exc).__name__)


def _line(text: str) -> str:
    return " ".join(text.split())[:_LONGEST_TOLD]
