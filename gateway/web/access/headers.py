"""What every answer tells a browser: to run and show nothing but our own, and to keep none of it."""

from starlette.datastructures import MutableHeaders
from starlette.types import Message, Send

from gateway.web.access.asking import Asking

__all__ = ["CONTENT_POLICY", "with_headers"]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; font-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
_PERMISSIONS = ", ".join(
    f"{feature}=()"
    for feature in (
        "accelerometer",
        "bluetooth",
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


def with_headers(send: Send, asked: Asking) -> Send:
    """The same, with them in each answer that does not say otherwise itself."""
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

    return sent
