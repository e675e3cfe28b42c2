"""How often somebody may try to log in: after a few failures a pause that grows, by name and by address. Pure."""

from collections import OrderedDict
from dataclasses import dataclass
from typing import Final

FREE: Final = 4
"""Failures without a pause: people mistype."""
FIRST_PAUSE_S: Final = 2.0
NAME_PAUSE_S: Final = 30.0
"""[s] Longest pause of a name: short, for anybody who can reach the desk could else keep an operator out."""
ADDRESS_PAUSE_S: Final = 300.0
FORGOTTEN_S: Final = 3600.0
"""[s] After so long without a failure it counts from none again."""
REMEMBERED: Final = 1000
"""Names, and as many addresses; the one that failed longest ago is forgotten first."""


@dataclass(slots=True)
class _Failures:
    count: int = 0
    last_s: float = 0.0


class Counter:
    """Failures by one kind of key."""

    def __init__(self, longest_s: float) -> None:
        """Start with none. `longest_s` [s] is the longest pause."""
        self._longest_s = longest_s
        self._failures: OrderedDict[str, _Failures] = OrderedDict()

    def __len__(self) -> int:
        return len(self._failures)

    def pause_s(self, key: str, now_s: float) -> float:
        """[s] Return how long this key has to wait yet; 0: it may try."""
        found = self._failures.get(key)
        if found is None or found.count <= FREE or now_s - found.last_s > FORGOTTEN_S:
            return 0.0
        pause_s = min(self._longest_s, FIRST_PAUSE_S * 2.0 ** min(found.count - FREE - 1, 30))
        return max(0.0, found.last_s + pause_s - now_s)

    def failed(self, key: str, now_s: float) -> None:
        """Count one failure."""
        found = self._failures.pop(key, None)
        if found is None or now_s - found.last_s > FORGOTTEN_S:
            found = _Failures()
        self._failures[key] = _Failures(found.count + 1, now_s)
        while len(self._failures) > REMEMBERED:
            self._failures.popitem(last=False)

    def take_back(self, key: str) -> None:
        """Take one failure back: it was none."""
        found = self._failures.get(key)
        if found is not None:
            found.count -= 1
            if found.count <= 0:
                del self._failures[key]

    def forget(self, key: str) -> None:
        """Count from none again."""
        self._failures.pop(key, None)


class Tries:
    """Both counters. A try counts as failed from its beginning, so that many at once are not one."""

    def __init__(self) -> None:
        """Start with no failures."""
        self.names = Counter(NAME_PAUSE_S)
        self.addresses = Counter(ADDRESS_PAUSE_S)

    def begin(self, name: str, address: str, now_s: float) -> float:
        """[s] Begin a try; return how long to wait before it would be looked at, 0 where it is looked at now."""
        pause_s = max(self.names.pause_s(name, now_s), self.addresses.pause_s(address, now_s))
        if pause_s == 0.0:
            self.names.failed(name, now_s)
            self.addresses.failed(address, now_s)
        return pause_s

    def succeeded(self, name: str, address: str) -> None:
        """End a try that was right: the name is clean again; other failures of the address stay."""
        self.names.forget(name)
        self.addresses.take_back(address)

    def not_judged(self, name: str, address: str) -> None:
        """End a try that was neither right nor wrong: the desk had no time for it."""
        self.names.take_back(name)
        self.addresses.take_back(address)
