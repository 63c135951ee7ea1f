"""Requests to one server: the one place that knows httpx."""

import asyncio
import ssl
from collections.abc import Mapping

import httpx

from gateway.delivery.faults import DeliveryFault, FaultKind
from gateway.delivery.webhook.answers import Answer

__all__ = ["Connection"]

_LARGEST_ANSWER = 65_536
"""Nobody reads an answer but for its first words; a server that goes on for ever is left."""


class Connection:
    """Raises DeliveryFault. Goes nowhere but where it is told: no proxy of the environment, no redirect."""

    def __init__(self, timeout_s: float, tls: ssl.SSLContext | None) -> None:
        self._timeout_s = timeout_s
        self._client = httpx.AsyncClient(
            # Without TLS one that trusts nobody: httpx would else read the authorities of all the world, at which every
            # poll waits.
            verify=tls if tls is not None else ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT),
            trust_env=False,
            follow_redirects=False,
            timeout=timeout_s,
            limits=httpx.Limits(max_connections=1, max_keepalive_connections=1, keepalive_expiry=30.0),
        )

    async def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """One request and its answer."""
        try:
            async with asyncio.timeout(self._timeout_s):
                async with self._client.stream("POST", url, content=body, headers=dict(headers)) as response:
                    read = bytearray()
                    async for part in response.aiter_raw(4096):
                        read += part
                        if len(read) >= _LARGEST_ANSWER:
                            break
        except (TimeoutError, httpx.TimeoutException) as exc:
            text = f"server did not answer within {self._timeout_s:g} s"
            raise DeliveryFault(FaultKind.PASSING, text) from exc
        except (httpx.HTTPError, httpx.InvalidURL, OSError) as exc:
            raise _told(exc) from exc
        found = response.headers
        return Answer(
            response.status_code,
            bytes(read[:1000]).decode("utf-8", "replace"),
            found.get("retry-after"),
            found.get("location"),
            found.get("date"),
        )

    async def close(self) -> None:
        await self._client.aclose()


def _told(exc: BaseException) -> DeliveryFault:
    each: BaseException | None = exc
    words = ""
    while each is not None:
        if isinstance(each, ssl.SSLCertVerificationError):
            return DeliveryFault(FaultKind.PERSON, f"server certificate not accepted: {each.verify_message}")
        if isinstance(each, OSError) and each.strerror:
            words = each.strerror
        each = each.__cause__ or each.__context__
    if isinstance(exc, httpx.InvalidURL | httpx.UnsupportedProtocol):
        return DeliveryFault(FaultKind.PERSON, f"this is no address to send to: {exc}")
    return DeliveryFault(FaultKind.PASSING, words or str(exc) or type(exc).__name__)
