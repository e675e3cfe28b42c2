"""Login, passwords and people: the one place where they meet. Each goes to the log, never with a secret."""

import asyncio
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock
from crumbmeter.web.faults import DeskError
from crumbmeter.web.hashing import Hasher, one_time_password
from crumbmeter.web.people import FIRST_NAME, MOST_PEOPLE, People, Person, Role, read_people, write_people
from crumbmeter.web.sessions import Session, Sessions
from crumbmeter.web.tries import Tries

SHORTEST: Final = 10
LONGEST: Final = 200
"""[characters] Of a password."""

Report = Callable[[Event], None]


class Door:
    """Lets people in, and keeps their file."""

    def __init__(
        self, path: Path, people: People, hasher: Hasher, sessions: Sessions, clock: Clock, report: Report
    ) -> None:
        """Take over the people as they were read."""
        self._path = path
        self._people = dict(people)
        self._hasher = hasher
        self._sessions = sessions
        self._clock = clock
        self._report = report
        self._changing = asyncio.Lock()
        self.tries = Tries()

    @property
    def people(self) -> tuple[Person, ...]:
        """Return everybody, by name."""
        return tuple(self._people[name] for name in sorted(self._people))

    def person_of(self, session: Session) -> Person | None:
        """Return who is logged in."""
        return self._people.get(session.name)

    async def login(self, name: str, password: str, address: str) -> tuple[str, Session]:
        """Let somebody in.

        Args:
            name: As typed.
            password: As typed.
            address: Of the browser.

        Raises:
            DeskError: 401 where name and password do not belong together, 429 after too many failures, 503 where too
                many wait.
        """
        pause_s = self.tries.begin(name, address, self._clock.now_s())
        if pause_s > 0.0:
            self._report(event("login_held_off", person=self._known(name), address=address, pause_s=round(pause_s, 1)))
            raise DeskError(
                429, "login", "too many failures", f"a pause of {math.ceil(pause_s)} s",
                "Wait, then try again.", retry_after_s=math.ceil(pause_s),
            )  # fmt: skip
        person = self._people.get(name)
        try:
            right = await self._hasher.verify(None if person is None else person.password_hash, password)
        except BaseException:
            self.tries.not_judged(name, address)
            raise
        # While it was verified, the person may have been removed or given another password.
        if person is None or not right or self._people.get(name) is not person:
            self._report(event("login_failed", person=self._known(name), address=address))
            raise DeskError(
                401, "login", "name and password do not belong together", "those of a person of this desk",
                "Try again, or ask the integrator for a new password.",
            )  # fmt: skip
        self.tries.succeeded(name, address)
        await self._renew_hash(person, password)
        session_id, session = self._sessions.begin(name, self._clock.now_s())
        self._report(event("logged_in", person=name, role=person.role.value, address=address))
        return session_id, session

    async def change_password(self, session: Session, old: str, new: str) -> None:
        """Give oneself another password; one's other sessions end.

        Raises:
            DeskError: 401 where the old one is wrong, 409 where the new one will not do, 429 after too many failures.
        """
        person = self._must_be(session.name)
        await self._must_know(person, old, "body.old")
        if new == old or person.name in new.lower():
            raise DeskError(
                409, "body.new", "the old password, or one with the name in it", "another password without the name",
                "Choose another one: several words are easy to keep in mind.",
            )  # fmt: skip
        hashed = await self._hasher.hash(new)
        async with self._changing:
            if self._people.get(person.name) is not person:
                raise _gone(person.name)
            await self._save({**self._people, person.name: replace(person, password_hash=hashed, one_time=False)})
        self._sessions.end_all_of(person.name, "another password", but=session)
        self._report(event("password_changed", person=person.name, by=person.name))

    async def prove(self, session: Session, password: str) -> None:
        """Look at one's own password again, before something is signed with it.

        Raises:
            DeskError: 401 where it is wrong, 429 after too many failures.
        """
        await self._must_know(self._must_be(session.name), password, "body.fields.password")

    async def _must_know(self, person: Person, password: str, place: str) -> None:
        pause_s = self.tries.names.pause_s(person.name, self._clock.now_s())
        if pause_s > 0.0:
            raise DeskError(
                429, "password", "too many failures", f"a pause of {math.ceil(pause_s)} s", "Wait, then try again.",
                retry_after_s=math.ceil(pause_s),
            )  # fmt: skip
        if not await self._hasher.verify(person.password_hash, password):
            self.tries.names.failed(person.name, self._clock.now_s())
            self._report(event("password_refused", person=person.name))
            raise DeskError(401, place, "not the password in force", "the password in force", "Type it again.")

    async def add(self, name: str, role: Role, by: str) -> str:
        """Add somebody; return the one-time password.

        Raises:
            DeskError: 409 where the name is taken, or there are too many.
        """
        password = one_time_password()
        hashed = await self._hasher.hash(password)
        async with self._changing:
            if name in self._people:
                raise DeskError(409, "body.name", f"{name} is here already", "a new name", "Choose another name.")
            if len(self._people) >= MOST_PEOPLE:
                raise DeskError(
                    409, "people", f"{len(self._people)} people", f"at most {MOST_PEOPLE}", "Remove somebody."
                )
            await self._save({**self._people, name: Person(name, role, hashed, one_time=True)})
        self._report(event("person_added", person=name, role=role.value, by=by))
        return password

    async def remove(self, name: str, by: str) -> None:
        """Remove somebody; their sessions end at once.

        Raises:
            DeskError: 404 where there is no such person, 409 where nobody would be left to add people.
        """
        async with self._changing:
            person = self._must_be(name)
            others = {other: one for other, one in self._people.items() if other != name}
            if not any(one.role is Role.INTEGRATOR for one in others.values()):
                raise DeskError(
                    409, "people", f"{person.name} is the last integrator", "one integrator at least",
                    "Add another integrator first.",
                )  # fmt: skip
            await self._save(others)
        self._sessions.end_all_of(name, "the person was removed")
        self._report(event("person_removed", person=name, by=by))

    async def reset(self, name: str, by: str) -> str:
        """Give somebody a new one-time password, and return it; their sessions end at once.

        Raises:
            DeskError: 404 where there is no such person.
        """
        self._must_be(name)
        password = one_time_password()
        hashed = await self._hasher.hash(password)
        async with self._changing:
            person = self._must_be(name)
            await self._save({**self._people, name: replace(person, password_hash=hashed, one_time=True)})
        self.tries.names.forget(name)
        self._sessions.end_all_of(name, "another password")
        self._report(event("password_changed", person=name, by=by))
        return password

    def _known(self, name: str) -> str:
        """Return a name for the log: one that nobody has may be a password in the wrong field."""
        return name if name in self._people else "(unknown)"

    def _must_be(self, name: str) -> Person:
        person = self._people.get(name)
        if person is None:
            raise _gone(name)
        return person

    async def _renew_hash(self, person: Person, password: str) -> None:
        """Hash with today's parameters what was hashed with others."""
        if not self._hasher.is_old(person.password_hash):
            return
        hashed = await self._hasher.hash(password)
        async with self._changing:
            if self._people.get(person.name) is person:
                await self._save({**self._people, person.name: replace(person, password_hash=hashed)})

    async def _save(self, people: dict[str, Person]) -> None:
        """Write first; only what is written holds."""
        try:
            await asyncio.to_thread(write_people, self._path, people)
        except OSError as fault:
            self._report(event("people_not_written", fault=str(fault)))
            raise DeskError(
                503, str(self._path), fault.strerror or str(fault), "a file that can be written",
                "Nothing was changed. Ask the integrator to look at the disk and at the folder's owner.",
            ) from fault  # fmt: skip
        self._people = people


def _gone(name: str) -> DeskError:
    return DeskError(404, "name", f"nobody is named {name}", "a person of this desk", "See the list of people.")


def open_people(path: Path, hasher: Hasher) -> tuple[People, str]:
    """Read the people, or make the first one.

    Returns:
        The people, and the first integrator's one-time password where this is the first start; else an empty text.

    Raises:
        DeskRefusedError: the file is there and cannot be used.
        OSError: there is none, and it cannot be written.
    """
    people = read_people(path)
    if people is not None:
        return people, ""
    password = one_time_password()
    first = Person(FIRST_NAME, Role.INTEGRATOR, hasher.hash_now(password), one_time=True)
    made = {FIRST_NAME: first}
    write_people(path, made)
    return made, password
