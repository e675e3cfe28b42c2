"""Who is logged in. A session's id is a random number that only the browser has; here is its hash. Memory only."""

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

IDLE_S: Final = 3600.0
"""[s] Without a request and without a stream that is open, a session ends after so long."""
MOST_SESSIONS: Final = 256
MOST_OF_ONE: Final = 16
"""Of one person; the oldest gives way."""

Ended = Callable[["Session", str], None]


@dataclass(slots=True)
class Session:
    """One login."""

    key: bytes
    """SHA-256 of its id."""
    name: str
    began_s: float
    """[s] Process time."""
    seen_s: float
    streams: int = 0
    """Streams that are open: a page that is looked at is in use."""
    over: bool = False


class Sessions:
    """All logins."""

    def __init__(self, longest_s: float, on_end: Ended) -> None:
        """Start with nobody logged in.

        Args:
            longest_s: [s] Process time after which a login ends, whatever is done.
            on_end: Is told of each session that ends, and why.
        """
        self._longest_s = longest_s
        self._on_end = on_end
        self._secret = secrets.token_bytes(32)
        self._sessions: dict[bytes, Session] = {}

    def __len__(self) -> int:
        return len(self._sessions)

    def begin(self, name: str, now_s: float) -> tuple[str, Session]:
        """Begin a session; return its id, which nobody but the browser keeps."""
        own = [one for one in self._sessions.values() if one.name == name]
        if len(own) >= MOST_OF_ONE:
            self.end(own[0], "too many of one person")
        if len(self._sessions) >= MOST_SESSIONS:
            self.end(next(iter(self._sessions.values())), "too many in all")
        session_id = secrets.token_urlsafe(32)
        session = Session(_key(session_id), name, now_s, now_s)
        self._sessions[session.key] = session
        return session_id, session

    def find(self, session_id: str | None, now_s: float) -> Session | None:
        """Find a live session by its id, and note that it is in use."""
        session = self._sessions.get(_key(session_id)) if session_id else None
        if session is None or self._ended(session, now_s):
            return None
        session.seen_s = now_s
        return session

    def left_s(self, session: Session, now_s: float) -> float:
        """[s] Return how long it lasts at most."""
        return max(0.0, session.began_s + self._longest_s - now_s)

    def token(self, session: Session) -> str:
        """Return the token that a page must show with every change: bound to this session and this run of the desk."""
        return hmac.new(self._secret, session.key, hashlib.sha256).hexdigest()

    def token_is_right(self, session: Session, token: str | None) -> bool:
        """Compare without telling how much of it was right."""
        return token is not None and hmac.compare_digest(self.token(session).encode(), token.encode())

    def end(self, session: Session, why: str) -> None:
        """End one session, once."""
        if self._sessions.pop(session.key, None) is not None:
            session.over = True
            self._on_end(session, why)

    def end_all_of(self, name: str, why: str, *, but: Session | None = None) -> None:
        """End all sessions of one person, but for the one named."""
        for session in [one for one in self._sessions.values() if one.name == name and one is not but]:
            self.end(session, why)

    def sweep(self, now_s: float) -> None:
        """End those whose time is over."""
        for session in list(self._sessions.values()):
            self._ended(session, now_s)

    def _ended(self, session: Session, now_s: float) -> bool:
        if session.streams:
            session.seen_s = now_s
        if self.left_s(session, now_s) <= 0.0:
            self.end(session, "its time is over")
        elif now_s - session.seen_s > IDLE_S:
            self.end(session, "not used")
        return session.over


def _key(session_id: str) -> bytes:
    return hashlib.sha256(session_id.encode(errors="replace")).digest()
