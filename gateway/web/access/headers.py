"""What every answer tells a browser: to run and show nothing but our own, and to keep none of it."""

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.web.access.asking import asking
from gateway.web.access.plan import AccessPlan
from gateway.web.access.policy import ALWAYS, encoded, is_part, of_part

__all__ = ["Headed"]

_OPENER = encoded({"Cross-Origin-Opener-Policy": "same-origin"})
"""Where the browser trusts the way here; elsewhere it would ignore it, and complain."""
_ONLY_TLS = encoded({"Strict-Transport-Security": "max-age=31536000; includeSubDomains"})


class Headed:
    """ASGI: the same, with them in each answer that does not say otherwise itself. How a request came is in the state
    of its scope, as `asking`, for whatever comes after."""

    def __init__(self, application: ASGIApp, plan: AccessPlan) -> None:
        self._application = application
        self._plan = plan

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        asked = asking(scope, self._plan.trusted_proxy)
        scope.setdefault("state", {})["asking"] = asked
        wanted = ALWAYS
        if asked.is_secure or asked.is_local:
            wanted = wanted + _OPENER
        if asked.is_secure:
            wanted = wanted + _ONLY_TLS

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                there = list(message.get("headers", ()))
                names = {name.lower() for name, _ in there}
                meant = of_part(wanted) if is_part(there) else wanted
                there += [header for header in meant if header[0] not in names]
                message = {**message, "headers": there}
            await send(message)

        await (_TWO_LENGTHS if _has_two_lengths(scope) else self._application)(scope, receive, sent)


_TWO_LENGTHS = PlainTextResponse(
    "a request says the length of its body in one way\n", 400, headers={"Connection": "close"}
)
"""With what follows it unread: a proxy before us may take the other length for the right one, and what is a body to it
would be a request of somebody else to us (RFC 9112, section 6.1)."""


def _has_two_lengths(scope: Scope) -> bool:
    names = {name for name, _ in scope["headers"]}
    return b"content-length" in names and b"transfer-encoding" in names
