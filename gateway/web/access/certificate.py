"""Until when a certificate holds, out of its DER form (RFC 5280, section 4.1; X.690): the ssl module tells it of the
certificates of peers alone.
"""

import ssl
from datetime import UTC, datetime

__all__ = ["CertificateError", "first_certificate", "holds_until"]

_BEGIN, _END = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
_SEQUENCE, _INTEGER, _VERSION, _UTC_TIME, _GENERALIZED_TIME = 0x30, 0x02, 0xA0, 0x17, 0x18


class CertificateError(ValueError):
    """The bytes are no certificate."""


def first_certificate(pem: str) -> bytes:
    """The first in a PEM text, as DER. Raises CertificateError."""
    start = pem.find(_BEGIN)
    end = pem.find(_END, start)
    if start < 0 or end < 0:
        raise CertificateError("there is no certificate in it")
    try:
        return ssl.PEM_cert_to_DER_cert(pem[start : end + len(_END)])
    except ValueError as error:
        raise CertificateError("the certificate in it is damaged") from error


def holds_until(certificate: bytes) -> datetime:
    """Its notAfter. Raises CertificateError."""
    try:
        body, _ = _element(_element(certificate, _SEQUENCE)[0], _SEQUENCE)
        if body[0] == _VERSION:
            _, body = _element(body, _VERSION)
        _, body = _element(body, _INTEGER)  # serial number
        _, body = _element(body, _SEQUENCE)  # algorithm
        _, body = _element(body, _SEQUENCE)  # issuer
        validity, _ = _element(body, _SEQUENCE)
        _, rest = _element(validity, validity[0])
        kind = rest[0]
        text = _element(rest, kind)[0].decode("ascii")
        if kind == _UTC_TIME:
            # RFC 5280, section 4.1.2.5.1: 50 and later are of the last century.
            text = f"{'19' if int(text[:2]) >= 50 else '20'}{text}"
        elif kind != _GENERALIZED_TIME:
            raise CertificateError("its validity is no time")
        return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)
    except (IndexError, ValueError) as error:
        raise CertificateError("it cannot be read") from error


def _element(data: bytes, tag: int) -> tuple[bytes, bytes]:
    """The contents of the first element, and what follows it. Raises ValueError, IndexError."""
    if data[0] != tag:
        raise CertificateError(f"an element is 0x{data[0]:02x}, not 0x{tag:02x}")
    length, start = data[1], 2
    if length & 0x80:
        count = length & 0x7F
        length, start = int.from_bytes(data[2 : 2 + count]), 2 + count
    if len(data) < start + length:
        raise CertificateError("it breaks off")
    return data[start : start + length], data[start + length :]
