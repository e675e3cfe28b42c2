"""Passwords: argon2id with the library's own parameters, two at a time, never on the event loop."""

import asyncio
import secrets
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from crumbmeter.web.faults import DeskError

AT_A_TIME: Final = 2
"""Each takes 64 MiB and one core while it runs."""
MOST_WAITING: Final = 16
ALPHABET: Final = "abcdefghijkmnpqrstuvwxyz23456789"
"""For one-time passwords: no letter that looks like a digit."""
ONE_TIME_LENGTH: Final = 16
"""80 bits: 16 of 32 letters."""


def one_time_password() -> str:
    """Make a password that is used once, in groups of four so that it can be read out."""
    letters = "".join(secrets.choice(ALPHABET) for _ in range(ONE_TIME_LENGTH))
    return "-".join(letters[at : at + 4] for at in range(0, ONE_TIME_LENGTH, 4))


class Hasher:
    """Makes and verifies hashes in threads. Build it anywhere; use it on one loop."""

    def __init__(self, argon2: PasswordHasher | None = None) -> None:
        """Take the library's parameters, unless a test has quicker ones."""
        self._argon2 = argon2 or PasswordHasher()
        self._places = asyncio.Semaphore(AT_A_TIME)
        self._waiting = 0
        self._nobody = self._argon2.hash(secrets.token_hex(16))

    def hash_now(self, password: str) -> str:
        """Make a hash on this thread; before the loop runs."""
        return self._argon2.hash(password)

    async def hash(self, password: str) -> str:
        """Make a hash.

        Raises:
            DeskError: too many wait.
        """
        await self._enter()
        try:
            async with self._places:
                return await asyncio.to_thread(self._argon2.hash, password)
        finally:
            self._waiting -= 1

    async def verify(self, password_hash: str | None, password: str) -> bool:
        """Tell whether the password belongs to the hash. None: nobody's, which takes as long and is never true.

        Raises:
            DeskError: too many wait.
        """
        await self._enter()
        try:
            async with self._places:
                right = await asyncio.to_thread(self._verify, password_hash or self._nobody, password)
        finally:
            self._waiting -= 1
        return right and password_hash is not None

    def is_old(self, password_hash: str) -> bool:
        """Tell whether the hash was made with other parameters than those of today."""
        return self._argon2.check_needs_rehash(password_hash)

    async def _enter(self) -> None:
        if self._waiting >= MOST_WAITING:
            raise DeskError(
                503, "login", f"{self._waiting} logins wait already", f"at most {MOST_WAITING}",
                "Try again in a moment.", retry_after_s=2,
            )  # fmt: skip
        self._waiting += 1

    def _verify(self, password_hash: str, password: str) -> bool:
        try:
            return self._argon2.verify(password_hash, password)
        except (VerificationError, InvalidHashError):
            return False
