"""What every answer tells a browser: to run and show nothing but our own, and to keep none of it."""

from starlette.datastructures import MutableHeaders
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
_ALWAYS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": CONTENT_POLICY,
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": _PERMISSIONS,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
_OPENER = {"Cross-Origin-Opener-Policy": "same-origin"}
"""Where the browser trusts the way here; elsewhere it would ignore it, and complain."""
_ONLY_TLS = {"Strict-Transport-Security": "max-age=31536000; includeSubDomains"}


class Headed:
    """ASGI: the same, with them in each answer that does not say otherwise itself."""

    def __init__(self, application: ASGIApp, plan: AccessPlan) -> None:
        self._application = application
        self._plan = plan

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        asked = asking(scope, self._plan.trusted_proxy)
        wanted = dict(_ALWAYS)
        if asked.is_secure or asked.is_local:
            wanted |= _OPENER
        if asked.is_secure:
            wanted |= _ONLY_TLS

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in wanted.items():
                    headers.setdefault(name, value)
            await send(message)

        await self._application(scope, receive, sent)
