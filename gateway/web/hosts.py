"""By which names the HTTP interface may be asked.

A page of a stranger may let its own name lead to this machine (DNS rebinding), and a browser would then hand it what it
asks of us: but under that stranger's name, which stands in the request's Host. An address there is no such name.
"""

import ipaddress
import re
from collections.abc import Collection

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["KnownHostsOnly", "host_name"]

_MISDIRECTED = 421
"""RFC 9110, section 15.5.20."""
_LONGEST_SHOWN = 80
_HOST = re.compile(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9._-]+))(?::\d*)?", re.ASCII | re.IGNORECASE)
"""RFC 9110, section 7.2: uri-host with a port or without; names also with the underscore of container networks."""


def host_name(text: str) -> str | None:
    """The name or address in a Host header, small and without port; None where it is none."""
    found = _HOST.fullmatch(text)
    return None if found is None else (found[1] or found[2]).lower().rstrip(".")


class KnownHostsOnly:
    """Passes requests on to `application` that come for an address, for localhost, or for one of `names`."""

    def __init__(self, application: ASGIApp, names: Collection[str]) -> None:
        self._application = application
        self._names = frozenset(name.lower().rstrip(".") for name in names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        # HTTP/1.0 knows no Host, and no browser speaks it.
        host = Headers(scope=scope).get("host")
        if host is None or self._is_known(host_name(host)):
            await self._application(scope, receive, send)
            return
        shown = host[:_LONGEST_SHOWN]
        text = f"this gateway is not known as {shown}; write the name under `web: names` in its site file\n"
        await PlainTextResponse(text, _MISDIRECTED)(scope, receive, send)

    def _is_known(self, name: str | None) -> bool:
        if name is None:
            return False
        if name in self._names or name == "localhost" or name.endswith(".localhost"):
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True
