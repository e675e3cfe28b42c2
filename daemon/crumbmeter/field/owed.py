"""Replies that one endpoint may still owe, over all connections to it.

A gateway may keep a request, and bring its reply, after the connection that asked has ended: to whoever is connected
then. So transaction ids go on from one connection to the next, and what was asked lately is remembered.
"""

from collections import deque

_STRIDE = 25717
"""From one transaction id to the next: odd, so that all come round, and no neighbour of one is the next."""
_IDS = 1 << 16
_MOST_ANSWERED = 256
Look = tuple[int, int, bytes]
"""What a reply looks like: `replies.Expected.look`."""


class Owed:
    """What was asked of one endpoint and not answered, and the transaction ids used."""

    def __init__(self, transaction: int = 0) -> None:
        """Begin.

        Args:
            transaction: The last id used. Any will do; one that an earlier process is not likely to have used is best.
        """
        self._transaction = transaction
        self._asked: dict[Look, dict[bytes, float]] = {}
        self._next: dict[Look, tuple[bytes, float]] = {}
        """By look: the request that was refused first, and until when [s] its turn is kept."""
        self._repeated: set[tuple[Look, bytes]] = set()
        """Requests that have had no answer more than once."""
        self._answered: deque[tuple[Look, bytes, float]] = deque(maxlen=_MOST_ANSWERED)
        """Look, request and when it was sent [s], of those answered on the present connection."""

    def __bool__(self) -> bool:
        """Tell whether anything is remembered."""
        return bool(self._asked)

    def next_transaction(self) -> int:
        """Return the next id, never 0: devices that do not echo ids send that."""
        self._transaction = (self._transaction + _STRIDE) % _IDS or _STRIDE
        return self._transaction

    def note(self, look: Look, content: bytes, sent_s: float) -> None:
        """Remember a request.

        Args:
            look: Of its reply.
            content: The request itself.
            sent_s: [s] When it was sent.
        """
        if content in self._asked.get(look, {}):
            self._repeated.add((look, content))
        self._remember(look, content, sent_s)

    def _remember(self, look: Look, content: bytes, sent_s: float) -> None:
        asked = self._asked.setdefault(look, {})
        asked[content] = max(sent_s, asked.get(content, sent_s))

    def note_only(self, look: Look, content: bytes, sent_s: float) -> None:
        """Remember a request, and forget the others whose reply looks the same."""
        self._asked[look] = {content: sent_s}

    def note_answered(self, look: Look, content: bytes, sent_s: float) -> None:
        """Keep in mind a request that was answered: where it was doubled on its way, there is a second reply.

        Args:
            look: Of its reply.
            content: The request itself.
            sent_s: [s] When it was sent.
        """
        self._answered.append((look, content, sent_s))
        self._repeated.discard((look, content))

    def end_connection(self, *, in_doubt: bool) -> None:
        """Forget what was answered on it; after a doubt remember it as owed: the next one may bring a second reply."""
        if in_doubt:
            for look, content, sent_s in self._answered:
                self._remember(look, content, sent_s)
        self._answered.clear()

    def latest_other_s(self, look: Look, content: bytes) -> float:
        """[s] Return when another request was sent whose reply would look the same; minus infinity where none was."""
        others = self._asked.get(look, {})
        return max((sent_s for one, sent_s in others.items() if one != content), default=float("-inf"))

    def may_ask(self, look: Look, content: bytes, now_s: float, guard_s: float) -> bool:
        """Tell whether a request may be sent while replies may be owed that would look like its own.

        Where one of those that look the same is asked again and again without an answer, the one that was refused first
        comes next, if it comes within a guard time: so the others do not starve.

        Args:
            look: Of its reply.
            content: The request itself.
            now_s: [s] Loop time.
            guard_s: [s] After its request, no reply comes any more.
        """
        first = self._next.get(look)
        if first is not None and now_s > first[1]:
            del self._next[look]
            first = None
        if first is not None and first[0] != content:
            return False
        free_s = self.latest_other_s(look, content) + guard_s
        if now_s >= free_s:
            self._next.pop(look, None)
            return True
        if first is None and any((look, other) in self._repeated for other in self._asked[look] if other != content):
            self._next[look] = (content, free_s + guard_s)
        return False

    def forget_before(self, until_s: float) -> None:
        """Forget what was sent before a time [s]: its reply does not come any more."""
        for look in [look for look, asked in self._asked.items() if max(asked.values()) < until_s]:
            del self._asked[look]
            self._repeated = {one for one in self._repeated if one[0] != look}

    def forget(self) -> None:
        """Forget all: the line has been silent for long enough."""
        self._asked.clear()
        self._repeated.clear()
