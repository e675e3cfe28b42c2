"""Certificates for tests of OPC UA, with any dates at all."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from crumbmeter.adapters.clock import machine_wall_us


@dataclass(frozen=True)
class Pair:
    """A certificate and its key in files."""

    certificate: Path
    key: Path
    uri: str


@cache
def _key(number: int) -> rsa.RSAPrivateKey:
    """Make a key, once for each number: that takes longest."""
    return rsa.generate_private_key(public_exponent=65537, key_size=2048)


def make_pair(
    folder: Path, name: str, *, from_days: float = -1.0, until_days: float = 100.0, key: int = 0, pem: bool = False,
    uri: str | None = None,
) -> Pair:  # fmt: skip
    """Make a self-signed pair, valid from and until so many days from now."""
    secret, now = _key(key), datetime.fromtimestamp(machine_wall_us() // 1_000_000, tz=UTC)
    said = f"urn:crumbmeter:test:{name}" if uri is None else uri
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    names: list[x509.GeneralName] = [x509.DNSName("localhost")]
    if said:
        names.append(x509.UniformResourceIdentifier(said))
    purposes = [ExtendedKeyUsageOID.CLIENT_AUTH, ExtendedKeyUsageOID.SERVER_AUTH]
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .not_valid_before(now + timedelta(days=from_days))
        .not_valid_after(now + timedelta(days=until_days))
        .serial_number(x509.random_serial_number())
        .public_key(secret.public_key())
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(secret.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(secret.public_key()), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=True, content_commitment=True, key_encipherment=True, data_encipherment=True,
                key_agreement=False, key_cert_sign=True, crl_sign=False, encipher_only=False, decipher_only=False,
            ),
            critical=True,
        )
        .add_extension(x509.ExtendedKeyUsage(purposes), critical=False)
        .sign(secret, hashes.SHA256())
    )  # fmt: skip
    pair = Pair(folder / f"{name}.{'pem' if pem else 'der'}", folder / f"{name}-key.pem", said)
    pair.certificate.write_bytes(made.public_bytes(Encoding.PEM if pem else Encoding.DER))
    pair.key.write_bytes(secret.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return pair
