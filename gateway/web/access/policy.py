"""What every answer tells a browser, as headers: to run and show nothing but our own, and to keep none of it."""

__all__ = ["ALWAYS", "CONTENT_POLICY", "PART_POLICY", "PART_TYPES", "Encoded", "encoded", "is_part", "of_part"]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; font-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
PART_POLICY = "default-src 'none'; frame-ancestors 'none'"
"""Of a script or a style, which does nothing by itself: the page that they belong to says what they may."""
PART_TYPES = ("text/css", "text/javascript")
_PART_HEADS = {
    b"content-type": tuple(each.encode("ascii") for each in PART_TYPES),
    # All that an answer of 304 has of what it is.
    b"content-security-policy": (PART_POLICY.encode("ascii"),),
}
"""By name: what begins so is of a script or a style."""
_OF_DOCUMENTS = (b"cross-origin-opener-policy", b"permissions-policy")
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


def is_part(headers: Encoded) -> bool:
    """Whether an answer with these is a script or a style."""
    return any(value.startswith(_PART_HEADS.get(name.lower(), ())) for name, value in headers)


def of_part(wanted: Encoded) -> Encoded:
    """Of `wanted` what means something with a script or a style: of some sixty of them the heads are most of a link's
    time where it is slow."""
    return [header for header in wanted if header[0] not in _OF_DOCUMENTS]
