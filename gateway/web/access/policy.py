"""What every answer tells a browser, as headers: to run and show nothing but our own, and to keep none of it."""

__all__ = ["ALWAYS", "CONTENT_POLICY", "Encoded", "encoded"]

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


def encoded(headers: dict[str, str]) -> Encoded:
    return [(name.lower().encode("ascii"), value.encode("ascii")) for name, value in headers.items()]


ALWAYS = encoded(
    {
        "Cache-Control": "no-store",
        "Content-Security-Policy": CONTENT_POLICY,
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": _PERMISSIONS,
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
    }
)
