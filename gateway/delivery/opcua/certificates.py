"""The folder of certificates: our own with its key, those of clients that are trusted, and those that were refused.

    own/certificate.der, own/key.pem
    trusted/*.der, *.pem      one certificate a file
    rejected/*.der            what came and was refused, for somebody to look at and trust

A client is trusted by its very certificate: what issued it counts for nothing, so that there is nothing to revoke but a
file to take out. RSA of 2,048 bits at least, signed with SHA-256 or better (policies of OPC 10000-7).
"""

import os
import socket
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from gateway.errors import GatewayError
from gateway.files import UnreadableError, give_to_owner_of, open_regular, replace_whole

__all__ = [
    "LARGEST_BYTES",
    "Certificates",
    "Found",
    "application_uri",
    "end_of",
    "from_bytes",
    "own_names",
    "thumbprint",
    "trouble_with_client",
]

LARGEST_BYTES = 20_000
_OWN_DAYS = 1825
_BACKDATED = timedelta(days=2)
"""Clocks of others may be behind ours."""
_AHEAD = timedelta(days=1)
"""And ahead: a client's certificate that is made by such a clock is not valid yet by ours. Whom we trust was looked at
by a person, so that this gives nothing away."""
_BITS = 2048
_MOST_REJECTED = 50
_ENDINGS = (".der", ".pem", ".crt", ".cer")
_NAME_LENGTH = 64


class Found(NamedTuple):
    """One certificate in the folder."""

    file: Path
    certificate: x509.Certificate | None
    """None: the file holds none."""


class Certificates:
    """One folder. Blocking."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.own = folder / "own" / "certificate.der"
        self.key = folder / "own" / "key.pem"
        self._last: dict[Path, x509.Certificate] = {}
        """Those that were trusted when it was last asked for now."""

    def make_folders(self) -> None:
        """Raises OSError."""
        self.folder.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
        _have_folder(self.folder, 0o750)
        for name in ("own", "trusted", "rejected"):
            _have_folder(self.folder / name, 0o700 if name == "own" else 0o750)

    def make_own(self, site: str, host_names: list[str], now: datetime, *, days: int = _OWN_DAYS) -> x509.Certificate:
        """Our own, self-signed, in the place of one that may be there. Raises OSError."""
        self.make_folders()
        key = rsa.generate_private_key(public_exponent=65537, key_size=_BITS)
        name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"tank-gateway {site}"[:_NAME_LENGTH])])
        names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(application_uri(site))]
        names += [_general_name(each) for each in dict.fromkeys(host_names)]
        usage = x509.KeyUsage(True, True, True, True, False, True, False, False, False)
        made = (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - _BACKDATED)
            .not_valid_after(now + timedelta(days=days))
            .add_extension(x509.SubjectAlternativeName(names), critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .add_extension(
                x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]),
                critical=False,
            )
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
            .sign(key, hashes.SHA256())
        )
        secret = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        _replace(self.key, secret, 0o600)
        _replace(self.own, made.public_bytes(serialization.Encoding.DER), 0o644)
        return made

    def own_certificate(self) -> x509.Certificate | None:
        """None: there is none yet. Raises GatewayError for a file that is no certificate or cannot be read."""
        return from_bytes(_read(self.own), str(self.own)) if _is_there(self.own) else None

    def check_own(self) -> None:
        """Raises GatewayError where our own certificate and key cannot serve. Where one is missing, both are made anew.

        Nobody could connect by the key of another, as it lies there where `make` broke off or one file was put back.
        """
        certificate = self.own_certificate()
        if certificate is None or not _is_there(self.key):
            return
        try:
            key = serialization.load_pem_private_key(_read(self.key), None)
        except (ValueError, TypeError, UnsupportedAlgorithm) as error:
            raise GatewayError(f"{self.key}: is no private key in PEM, without a password") from error
        if key.public_key() != certificate.public_key():
            anew = "`tank-gateway delivery certificate` makes both anew"
            raise GatewayError(f"{self.key}: is not the key of {self.own.name}; put the right one back, or {anew}")

    def trusted(self) -> list[Found]:
        return list(self._listed("trusted"))

    def rejected(self) -> list[Found]:
        return list(self._listed("rejected"))

    def _listed(self, name: str) -> Iterator[Found]:
        with suppress(OSError):
            for file in sorted((self.folder / name).iterdir()):
                if file.suffix.lower() in _ENDINGS:
                    try:
                        yield Found(file, from_bytes(_read(file), str(file)))
                    except GatewayError:
                        yield Found(file, None)

    def trusted_now(self) -> frozenset[x509.Certificate]:
        """A file that is there and cannot be read has in it what was read last. Raises OSError where nobody can tell
        which files there are."""
        now: dict[Path, x509.Certificate] = {}
        with suppress(FileNotFoundError):
            with os.scandir(self.folder / "trusted"):
                pass
            for file, certificate in self.trusted():
                if certificate is not None:
                    now[file] = certificate
                elif file in self._last and not _is_readable(file):
                    now[file] = self._last[file]
        self._last = now
        return frozenset(now.values())

    def trusts(self, certificate: x509.Certificate) -> bool:
        return any(each.certificate == certificate for each in self.trusted())

    def reject(self, der: bytes) -> None:
        """Keep it for a person to look at. Of many that come, the first are kept."""
        with suppress(OSError, GatewayError):
            certificate = from_bytes(der, "what the client sent")
            folder = self.folder / "rejected"
            file = folder / f"{thumbprint(certificate)}.der"
            if not file.exists() and len(list(folder.iterdir())) < _MOST_REJECTED:
                _replace(file, certificate.public_bytes(serialization.Encoding.DER), 0o644)

    def trust(self, certificate: x509.Certificate) -> Path:
        """From now on. Raises OSError."""
        self.make_folders()
        file = self.folder / "trusted" / f"{thumbprint(certificate)}.der"
        _replace(file, certificate.public_bytes(serialization.Encoding.DER), 0o644)
        with suppress(FileNotFoundError):
            (self.folder / "rejected" / file.name).unlink()
        return file

    def withdraw(self, mark: str) -> Path | None:
        """Trust no more the one whose thumbprint begins so. Raises OSError."""
        for each in self.trusted():
            if each.certificate is not None and thumbprint(each.certificate).startswith(mark.lower()):
                each.file.unlink()
                return each.file
        return None


def application_uri(site: str) -> str:
    """By which others know this server, over every restart."""
    kept = "".join(each if each.isascii() and (each.isalnum() or each in "-._") else "-" for each in site)
    return f"urn:tank-gateway:{kept}"


def own_names(host: str) -> list[str]:
    """By which clients may reach this machine, as far as it knows."""
    found = [socket.gethostname() or "localhost", "localhost", "127.0.0.1"]
    if host not in ("0.0.0.0", "::"):
        found.insert(0, host)
    return found


def from_bytes(content: bytes, where: str) -> x509.Certificate:
    """Of DER or PEM. Raises GatewayError."""
    try:
        if content.lstrip().startswith(b"-----BEGIN"):
            return x509.load_pem_x509_certificate(content)
        return x509.load_der_x509_certificate(content)
    except ValueError as error:
        raise GatewayError(f"{where}: is no certificate in DER or PEM") from error


def thumbprint(certificate: x509.Certificate) -> str:
    """SHA-256, in hexadecimal. (OPC UA itself speaks of SHA-1 thumbprints, which a person should not compare.)"""
    return certificate.fingerprint(hashes.SHA256()).hex()


def end_of(certificate: x509.Certificate) -> datetime:
    """UTC."""
    return certificate.not_valid_after_utc.astimezone(UTC)


def trouble_with_client(certificate: x509.Certificate, now: datetime) -> str | None:
    """Why nobody may come with this certificate, trusted or not, as a sentence; None: nothing is wrong with it."""
    if certificate.not_valid_after_utc < now:
        return f"its certificate ended on {certificate.not_valid_after_utc:%Y-%m-%d %H:%M} UTC"
    if certificate.not_valid_before_utc > now + _AHEAD:
        begins = f"{certificate.not_valid_before_utc:%Y-%m-%d %H:%M} UTC"
        return f"its certificate begins on {begins}, which is still to come: is the clock of one of us wrong?"
    key = certificate.public_key()
    if not isinstance(key, rsa.RSAPublicKey) or key.key_size < _BITS:
        return f"its certificate has no RSA key of {_BITS} bits or more"
    hashed = certificate.signature_hash_algorithm
    if hashed is None or isinstance(hashed, hashes.SHA1 | hashes.MD5):
        return "its certificate is signed with a hash that is too weak"
    return None


def _general_name(text: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(text))
    except ValueError:
        return x509.DNSName(text)


def _is_there(file: Path) -> bool:
    """Raises GatewayError where that cannot be known."""
    try:
        file.stat()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise GatewayError(f"{file}: {error.strerror}") from error
    return True


def _read(file: Path) -> bytes:
    try:
        with open_regular(file) as opened:
            return opened.read(LARGEST_BYTES)
    except UnreadableError as error:
        raise GatewayError(str(error)) from error


def _is_readable(file: Path) -> bool:
    try:
        _read(file)
    except GatewayError:
        return False
    return True


def _have_folder(folder: Path, mode: int) -> None:
    with suppress(FileExistsError):
        folder.mkdir(mode=mode)
        give_to_owner_of(folder.parent, folder)


def _replace(file: Path, content: bytes, mode: int) -> None:
    """Whole or not at all."""
    replace_whole(str(file), content, mode=mode, owner_of=file.parent)
