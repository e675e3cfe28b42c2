"""Ed25519 signatures: who holds the public key can tell that a seal is ours; only the private key makes one.

RFC 8032. The private key lies beside the journal, mode 0600; the public one is for everybody.
"""

import os
import re
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from crumbmeter.model.faults import CrumbmeterError


class KeyRefusedError(CrumbmeterError):
    """The file is no private key that this program made, or others can read it."""


class SigningKey:
    """Signs; made once for each journal."""

    def __init__(self, seed: bytes) -> None:
        """Take the 32 bytes of the private key."""
        self._key = Ed25519PrivateKey.from_private_bytes(seed)

    @property
    def public(self) -> bytes:
        """Return the public key, 32 bytes."""
        return self._key.public_key().public_bytes_raw()

    def sign(self, message: bytes) -> bytes:
        """Return the signature of a message, 64 bytes."""
        return self._key.sign(message)


def signed_by(public: bytes, message: bytes, signature: bytes) -> bool:
    """Tell whether a signature of a message was made with the private key of a public one."""
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def public_keys(text: str) -> tuple[bytes, ...]:
    """Read public keys: each word of 64 hexadecimal digits is one, as `crumbmeter key` prints them.

    Raises:
        ValueError: there is none in the text.
    """
    found = tuple(bytes.fromhex(word) for word in re.findall(r"(?<![0-9A-Fa-f])[0-9A-Fa-f]{64}(?![0-9A-Fa-f])", text))
    if not found:
        raise ValueError(f"no public key in {text[:80]!r}: expected 64 hexadecimal digits, as `crumbmeter key` prints")
    return found


def load_or_make_key(path: Path) -> SigningKey:
    """Read the private key of a journal, or make it where there is none.

    Raises:
        KeyRefusedError: the file is not 64 hexadecimal digits, or others may read it.
        OSError: the disk refuses.
    """
    try:
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except FileExistsError:
        return load_key(path)
    with os.fdopen(file, "w", encoding="ascii") as opened:
        opened.write(Ed25519PrivateKey.generate().private_bytes_raw().hex() + "\n")
        opened.flush()
        os.fsync(opened.fileno())
    return load_key(path)


def load_key(path: Path) -> SigningKey:
    """Read the private key of a journal.

    Raises:
        KeyRefusedError: the file is not 64 hexadecimal digits, or others may read it.
        OSError: there is none, or it cannot be read.
    """
    mode = path.stat().st_mode & 0o077
    if mode:
        raise KeyRefusedError(f"{path}: others may read this private key (mode {mode:03o}): chmod 600 it")
    text = path.read_text("ascii", "replace").strip()
    try:
        seed = bytes.fromhex(text)
    except ValueError:
        seed = b""
    if len(seed) != 32:
        raise KeyRefusedError(
            f"{path}: found {len(text)} characters, expected the 64 hexadecimal digits of a private key"
        )
    return SigningKey(seed)
