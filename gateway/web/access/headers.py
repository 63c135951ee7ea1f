"""What every answer tells a browser: to run and show nothing but our own, and to keep none of it."""

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.web.access.asking import asking
from gateway.web.access.plan import AccessPlan

__all__ = ["CONTENT_POLICY", "Headed"]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; font-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
_PERMISSIONS = ", ".join(
    f"{feature}=()"
    for feature in (
        "accelerometer",
        "camera",
        "display-capture",
        "geolocation",
        "gyroscope",
        "hid",
        "microphone",
        "midi",
        "payment",
        "serial",
        "usb",
    )
)
Encoded = list[tuple[bytes, bytes]]


def _encoded(headers: dict[str, str]) -> Encoded:
    return [(name.lower().encode("ascii"), value.encode("ascii")) for name, value in headers.items()]


_ALWAYS = _encoded(
    {
        "Cache-Control": "no-store",
        "Content-Security-Policy": CONTENT_POLICY,
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": _PERMISSIONS,
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
    }
)
_OPENER = _encoded({"Cross-Origin-Opener-Policy": "same-origin"})
"""Where the browser trusts the way here; elsewhere it would ignore it, and complain."""
_ONLY_TLS = _encoded({"Strict-Transport-Security": "max-age=31536000; includeSubDomains"})


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
        wanted = _ALWAYS
        if asked.is_secure or asked.is_local:
            wanted = wanted + _OPENER
        if asked.is_secure:
            wanted = wanted + _ONLY_TLS

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                there = list(message.get("headers", ()))
                names = {name.lower() for name, _ in there}
                there += [header for header in wanted if header[0] not in names]
                message = {**message, "headers": there}
            await send(message)

        await self._application(scope, receive, sent)
