"""A device over a truthful bank, whose rules say how it misbehaves. Without rules it is the bank."""

import heapq
import itertools
from collections.abc import Callable, Sequence

from crumbmeter_sim.bank import Bank
from crumbmeter_sim.device.rules import Place, Rule
from crumbmeter_sim.pdu import BankError, Registers, answer, is_write
from crumbmeter_sim.profile import Profile


class Unruly:
    """Rules over a bank. Time passes by `now_s`; what is due happens at the next request, or by `settle`."""

    def __init__(self, bank: Registers, now_s: Callable[[], float] = lambda: 0.0) -> None:
        self.bank = bank
        self.now_s = now_s
        self.rules: list[Rule] = []
        self._names: dict[int, str] = {}
        self.pending = 0
        """Writes put off that are not done yet."""
        self._order = itertools.count()
        self._due: list[tuple[float, int, str, int, tuple[int, ...]]] = []

    def add(self, rule: Rule, name: str = "") -> Rule:
        """Let a rule hold from now on, under a name that `behave` knows it by; return it."""
        self.rules.append(rule)
        self._names[id(rule)] = name
        return rule

    def remove(self, rule: Rule) -> None:
        """Let a rule hold no longer; what it has put off still happens."""
        self.rules = [other for other in self.rules if other is not rule]

    def behave(self, was: str = "", place: Place | None = None) -> None:
        """Remove all rules, or only those of a name, or of a place."""
        self.rules = [
            rule
            for rule in self.rules
            if (was and self._names[id(rule)] != was) or (place is not None and rule.place != place)
        ]

    def read(self, table: str, address: int, count: int) -> tuple[int, ...]:
        """Read as a master would. Raises BankError."""
        self.settle()
        if not self.rules:
            return self.bank.read(table, address, count)
        rules = [rule for rule in self.rules if rule.concerns(table, address, count)]
        for rule in rules:
            rule.may_read(table, address, count)
        words = list(self.bank.read(table, address, count))
        for rule in rules:
            rule.show(self, table, address, words)
        return tuple(words)

    def write(self, table: str, address: int, values: Sequence[int]) -> None:
        """Write as a master would. Raises BankError."""
        self.settle()
        changed = list(values)
        for rule in self.rules:
            if rule.concerns(table, address, len(changed)) and not rule.take(self, table, address, changed):
                return
        self.bank.write(table, address, changed)

    def answer(self, request: bytes) -> bytes | None:
        """Answer a request PDU."""
        reply = answer(self, request)
        if self.rules and is_write(request):
            address = int.from_bytes(request[1:3], "big")
            table = "coil" if request[0] in (5, 15) else "holding"
            for rule in self.rules:
                if rule.concerns(table, address, 1):
                    reply = rule.tell(request, reply)
        return reply

    def later(self, seconds: float, table: str, address: int, values: Sequence[int]) -> None:
        """Let something be written to the bank after `seconds`."""
        self.pending += 1
        heapq.heappush(self._due, (self.now_s() + seconds, next(self._order), table, address, tuple(values)))

    def settle(self) -> None:
        """Do what is due."""
        while self._due and self._due[0][0] <= self.now_s() + 1e-9:
            _, _, table, address, values = heapq.heappop(self._due)
            self.pending -= 1
            self._write_quietly(table, address, values)

    def _write_quietly(self, table: str, address: int, values: tuple[int, ...]) -> None:
        try:
            self.bank.write(table, address, values)
        except BankError:  # whoever wrote it has long had his answer
            return


class UnrulyBank(Unruly):
    """The same over a bank with a profile, with the bank's whole face."""

    def __init__(self, bank: Bank, now_s: Callable[[], float]) -> None:
        super().__init__(bank, now_s)
        self.true = bank
        """The bank beneath, which shows the plant as it is."""

    @property
    def profile(self) -> Profile:
        """The device's profile."""
        return self.true.profile

    def value(self, name: str) -> float | None:
        """Return the present SI value of a register, as the plant has it."""
        return self.true.value(name)

    def state(self, name: str) -> str:
        """Return what the instrument says of a register's value."""
        return self.true.state(name)

    def clear(self) -> None:
        """Forget everything written, put off or not."""
        self._due.clear()
        self.pending = 0
        self.true.clear()
