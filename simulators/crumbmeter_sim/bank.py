"""One device's four tables of registers: reads are encoded when asked, writes become commands of the plant."""

from collections.abc import Callable, Sequence

from crumbmeter_sim.codec import BIT_TABLES, Register, decode, encode, encode_text
from crumbmeter_sim.pdu import ILLEGAL_ADDRESS, ILLEGAL_VALUE, BankError, answer
from crumbmeter_sim.profile import Profile

__all__ = ["Bank", "BankError", "Sink", "Source", "State"]

Source = Callable[[], float | None]
Sink = Callable[[float], None]
State = Callable[[], str]
"""What an instrument says of itself; empty while all is well."""


class Bank:
    """Registers of one device over the quantities and commands of a plant."""

    def __init__(
        self,
        profile: Profile,
        sources: dict[str, Source],
        sinks: dict[str, Sink],
        states: dict[str, State] | None = None,
    ) -> None:
        self.profile = profile
        self._states = states or {}
        self._sources = sources
        self._sinks = sinks
        self._words: dict[tuple[str, int], int] = {}
        self._span: dict[str, tuple[int, int]] = {}
        for register in profile.registers.values():
            low, high = self._span.get(register.table, (register.address, register.address))
            self._span[register.table] = (min(low, register.address), max(high, register.address + register.count))
        self._plans: dict[tuple[str, int, int], list[Register]] = {}

    def read(self, table: str, address: int, count: int) -> tuple[int, ...]:
        """Read `count` words (bits as 0/1) from PDU offset `address`; holes inside the device's span read as 0.

        Raises:
            BankError: 2 outside the span, 3 for more than the device answers at a time.
        """
        self._check(table, address, count)
        words = [0] * count
        for (written, at), word in self._words.items():
            if written == table and address <= at < address + count:
                words[at - address] = word
        for register in self._inside(table, address, count):
            for i, word in enumerate(self._shown(register)):
                place = register.address + i - address
                if 0 <= place < count:
                    words[place] = words[place] | word if register.shares_words else word
        return tuple(words)

    def write(self, table: str, address: int, values: Sequence[int]) -> None:
        """Write words (bits as 0/1) from PDU offset `address`. Each register touched becomes a command.

        Raises:
            BankError: 2 where any address is not writable, 3 for more than the device takes at a time.
        """
        count = len(values)
        self._check(table, address, count)
        registers = [r for r in self._inside(table, address, count) if r.writable]
        covered = {r.address + i for r in registers for i in range(r.count)}
        if not all(address + i in covered for i in range(count)):
            raise BankError(ILLEGAL_ADDRESS)
        for i, value in enumerate(values):
            self._words[table, address + i] = int(bool(value)) if table in BIT_TABLES else value & 0xFFFF
        for register in registers:
            self._apply(register)

    def answer(self, request: bytes) -> bytes | None:
        """Answer a request PDU."""
        return answer(self, request)

    def clear(self) -> None:
        """Forget everything written, as a device does that has lost power. Commands fall back to zero."""
        self._words.clear()
        for register in self.profile.registers.values():
            if register.writable:
                self._apply(register)

    def value(self, name: str) -> float | None:
        """Return the present SI value of a register, as a master would decode it; None where it has no value."""
        register = self.profile.registers[name]
        source = self._sources.get(name)
        if source is not None and source() is None:
            return None
        return decode(register, self.read(register.table, register.address, register.count), self._factor(register))

    def state(self, name: str) -> str:
        """Return what the instrument says of a register's value: nothing, or what is wrong with it.

        Modbus has no place for it; a protocol that has shows it beside the value.
        """
        source = self._sources.get(name)
        if source is not None and source() is None and not self.profile.registers[name].sentinels:
            return "sensor failure"
        state = self._states.get(name)
        return "" if state is None else state()

    def _shown(self, register: Register) -> tuple[int, ...]:
        """Return the words of what stands behind a register; none where nothing does."""
        if register.kind == "text":
            return encode_text(register, self.profile.name)
        source = self._sources.get(register.name)
        return () if source is None else encode(register, source(), self._factor(register))

    def _factor(self, register: Register) -> float:
        """Return the power of ten by which the device scales a register at the moment."""
        name = register.power or register.decimals
        if name is None:
            return 1.0
        source = self._sources.get(name)
        power = (source() or 0.0) if source is not None else 0.0
        return float(10.0 ** (power if register.decimals is None else -power))

    def _apply(self, register: Register) -> None:
        sink = self._sinks.get(register.name)
        if sink is not None:
            words = tuple(self._words.get((register.table, register.address + i), 0) for i in range(register.count))
            sink(decode(register, words))

    def _check(self, table: str, address: int, count: int) -> None:
        limit = self.profile.max_bits if table in BIT_TABLES else self.profile.max_words
        if not 1 <= count <= limit:
            raise BankError(ILLEGAL_VALUE)
        low, high = self._span.get(table, (0, 0))
        if address < low or address + count > high:
            raise BankError(ILLEGAL_ADDRESS)
        holes = self.profile.forbidden.get(table)
        if holes and any(address <= last and first < address + count for first, last in holes):
            raise BankError(ILLEGAL_ADDRESS)

    def _inside(self, table: str, address: int, count: int) -> list[Register]:
        key = (table, address, count)
        plan = self._plans.get(key)
        if plan is None:
            plan = [
                r
                for r in self.profile.registers.values()
                if r.table == table and r.address < address + count and r.address + r.count > address
            ]
            self._plans[key] = plan
        return plan
