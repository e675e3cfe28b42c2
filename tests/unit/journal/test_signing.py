"""Signatures are those of RFC 8032, and a private key is for its owner alone."""

from pathlib import Path

import pytest

from crumbmeter.journal.signing import KeyRefusedError, SigningKey, load_or_make_key, signed_by


def test_rfc_8032_section_7_1_test_2() -> None:
    """RFC 8032, section 7.1, TEST 2: a message of one byte, 72."""
    key = SigningKey(bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"))
    assert key.public.hex() == "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    assert key.sign(b"\x72").hex() == (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )


def test_a_key_is_made_once_and_signs(tmp_path: Path) -> None:
    made = load_or_make_key(tmp_path / "journal.key")
    again = load_or_make_key(tmp_path / "journal.key")
    assert made.public == again.public
    assert (tmp_path / "journal.key").stat().st_mode & 0o777 == 0o600
    assert signed_by(made.public, b"seal", again.sign(b"seal"))
    assert not signed_by(made.public, b"zeal", again.sign(b"seal"))
    assert not signed_by(b"short", b"seal", again.sign(b"seal"))


@pytest.mark.parametrize(
    ("text", "mode", "says"), [("00" * 31, 0o600, "64 hexadecimal"), ("00" * 32, 0o644, "chmod 600")]
)
def test_what_is_no_key_is_refused(tmp_path: Path, text: str, mode: int, says: str) -> None:
    path = tmp_path / "journal.key"
    path.write_text(text)
    path.chmod(mode)
    with pytest.raises(KeyRefusedError, match=says):
        load_or_make_key(path)
