"""Requests to a provider: documents of bounded size, over TLS, from where they are asked and from nowhere else."""

import ssl
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import NamedTuple

import httpx

from gateway.web.access.provider.faults import AwayError

__all__ = ["LARGEST_DOCUMENT", "Connection", "Document", "connected"]

LARGEST_DOCUMENT = 262_144
_SILENCE_S = 4.0
"""Longest without a byte; the whole has its own end with who asks."""


class Document(NamedTuple):
    status: int
    body: bytes


class Connection:
    """Raises AwayError. No redirect, no proxy of the environment."""

    def __init__(self, client: httpx.AsyncClient) -> None:
        self._client = client

    async def get(self, url: str, headers: Mapping[str, str] | None = None) -> Document:
        return await self._asked("GET", url, None, headers or {})

    async def post(self, url: str, form: str, headers: Mapping[str, str]) -> Document:
        return await self._asked("POST", url, form, headers)

    async def _asked(self, method: str, url: str, form: str | None, headers: Mapping[str, str]) -> Document:
        # Not packed: a few bytes could become more than fits anywhere.
        told = {"Accept": "application/json", "Accept-Encoding": "identity", **headers}
        read = bytearray()
        try:
            async with self._client.stream(method, url, content=form, headers=told) as response:
                async for part in response.aiter_raw(8192):
                    read += part
                    if len(read) > LARGEST_DOCUMENT:
                        raise AwayError(f"{_place(url)} gave a document of more than {LARGEST_DOCUMENT} bytes")
        except httpx.TimeoutException as exc:
            raise AwayError(f"{_place(url)} does not answer") from exc
        except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as exc:
            raise AwayError(f"{_place(url)} cannot be asked: {_words(exc)}") from exc
        return Document(response.status_code, bytes(read))


@asynccontextmanager
async def connected(tls: ssl.SSLContext) -> AsyncIterator[Connection]:
    async with httpx.AsyncClient(
        verify=tls,
        trust_env=False,
        follow_redirects=False,
        timeout=_SILENCE_S,
        limits=httpx.Limits(max_connections=2, max_keepalive_connections=2),
    ) as client:
        yield Connection(client)


def _place(url: str) -> str:
    """Without a query, which is nobody's to read."""
    return url.partition("?")[0][:200]


def _words(exc: BaseException) -> str:
    each: BaseException | None = exc
    words = ""
    while each is not None:
        if isinstance(each, ssl.SSLCertVerificationError):
            return f"its certificate is not accepted: {each.verify_message}"
        if isinstance(each, OSError) and each.strerror:
            words = each.strerror
        each = each.__cause__ or each.__context__
    return words or str(exc)[:200] or type(exc).__name__
