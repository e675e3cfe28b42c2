"""Certificates of OPC UA applications: read and judged, and one's own made. The one adapter that knows cryptography.

A certificate is trusted because it is the very one that the site names, got by another way than the connection; no
authority and no host name is asked. What is judged here is its time, which clocks that are wrong break first.
"""

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from asyncua.crypto.cert_gen import generate_private_key, generate_self_signed_app_certificate
from cryptography import x509
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_der_private_key,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID

DAY_US: Final = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Certificate:
    """What counts of a certificate."""

    path: str
    der: bytes
    subject: str
    uri: str
    """The application's URI; empty where it bears none."""
    from_us: int
    """[us] UTC since 1970."""
    until_us: int

    @property
    def thumbprint(self) -> str:
        """Return its SHA-1, by which OPC UA tools name certificates."""
        return hashlib.sha1(self.der, usedforsecurity=False).hexdigest().upper()

    def days_left(self, now_us: int) -> float:
        """[d] Return how long it is still valid; negative once it has expired."""
        return (self.until_us - now_us) / DAY_US

    def fault(self, now_us: int) -> str:
        """Say why it is not valid at a time [us]; empty where it is."""
        if now_us > self.until_us:
            return f"expired on {_shown(self.until_us)} ({_days(now_us - self.until_us)} ago by this machine's clock)"
        if now_us < self.from_us:
            return (
                f"is not valid before {_shown(self.from_us)} "
                f"({_days(self.from_us - now_us)} from now by this machine's clock)"
            )
        return ""


def read_certificate(path: str) -> Certificate:
    """Read a certificate, DER or PEM.

    Raises:
        ValueError: it cannot be read; with the file and the cause.
    """
    try:
        data = Path(path).read_bytes()
        pem = data.lstrip().startswith(b"-----BEGIN")
        found = x509.load_pem_x509_certificate(data) if pem else x509.load_der_x509_certificate(data)
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror or error}") from error
    except ValueError as error:
        raise ValueError(f"{path}: no certificate, neither DER nor PEM") from error
    return certificate_of(found.public_bytes(Encoding.DER), path)


def certificate_of(der: bytes, path: str = "") -> Certificate:
    """Take apart a certificate in DER. Raises ValueError where it is none."""
    found = x509.load_der_x509_certificate(der)
    try:
        names = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        uris = names.get_values_for_type(x509.UniformResourceIdentifier)
    except x509.ExtensionNotFound:
        uris = []
    return Certificate(
        path=path,
        der=der,
        subject=found.subject.rfc4514_string(),
        uri=uris[0] if uris else "",
        from_us=_us(found.not_valid_before_utc),
        until_us=_us(found.not_valid_after_utc),
    )


def read_private_key(path: str) -> bytes:
    """Read a private key, PEM or DER, and return it as PEM.

    Raises:
        ValueError: it cannot be read; with the file and the cause.
    """
    try:
        data = Path(path).read_bytes()
        pem = data.lstrip().startswith(b"-----BEGIN")
        key = load_pem_private_key(data, None) if pem else load_der_private_key(data, None)
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror or error}") from error
    except TypeError as error:
        raise ValueError(
            f"{path}: the key is behind a password; give one without, readable by the daemon alone"
        ) from error
    except ValueError as error:
        raise ValueError(f"{path}: no private key, neither PEM nor DER") from error
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def make_certificate(certificate: Path, private_key: Path, *, uri: str, host: str, days: int) -> Certificate:
    """Make a key and a certificate for it that it signs itself, and write both; the key is for its owner alone.

    Raises:
        FileExistsError: one of the files is there; nothing is overwritten.
    """
    for path in (certificate, private_key):
        if path.exists():
            raise FileExistsError(f"{path} is there already")
    key = generate_private_key()
    names: list[x509.GeneralName] = [x509.UniformResourceIdentifier(uri), x509.DNSName(host)]
    made = generate_self_signed_app_certificate(
        key, "crumbmeter", {"organizationName": "crumbmeter"}, names, [ExtendedKeyUsageOID.CLIENT_AUTH], days
    )
    der = made.public_bytes(Encoding.DER)
    private_key.touch(mode=0o600)
    private_key.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    certificate.write_bytes(der)
    return certificate_of(der, str(certificate))


def _us(when: datetime) -> int:
    return (when - datetime(1970, 1, 1, tzinfo=UTC)) // datetime.resolution


def _shown(at_us: int) -> str:
    return f"{datetime.fromtimestamp(at_us // 1_000_000, tz=UTC):%Y-%m-%d %H:%M} UTC"


def _days(span_us: int) -> str:
    return f"{span_us / DAY_US:.1f} days" if span_us >= DAY_US else f"{span_us / 60e6:.0f} min"
