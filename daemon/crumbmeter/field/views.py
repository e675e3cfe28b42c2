"""The same words under every type and order, for commissioning: which of them shows the weight that is known (REQ-13).

A person compares with a known value; nothing here guesses which view is meant. Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from crumbmeter.field.spec import ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.field.words_codes import text_of
from crumbmeter.field.words_decoders import make_decoder, make_reader

LONGEST = 120
"""[word] The longest text that a profile may have."""
LEAST_SHARE = 1e-4
"""Of the range: a smaller value is what the halves of other numbers make, or zero, which tells nothing."""
_NUMBERS = tuple(kind for kind in WordType if kind not in (WordType.BIT, WordType.TEXT))


@dataclass(frozen=True, slots=True)
class WordView:
    """Some words read in one way."""

    word_type: str
    order: str
    value: float | str | None
    """The raw number or the text; None where the words hold none in this way."""
    reason: str
    """Why there is none; `ok` where there is one."""


@dataclass(frozen=True, slots=True)
class NeighbourView:
    """What would be read one address beside a value."""

    step: int
    """-1 or 1."""
    words: tuple[int, ...]
    """Empty: the device gives none there."""
    value_si: float | None
    plausible: bool
    """It could be meant just as well."""


def neighbour_view(
    register: RegisterSpec, step: int, words: Sequence[int], low_si: float, high_si: float
) -> NeighbourView:
    """Judge the words at a neighbour's address as if they were the register's own (REQ-14b).

    Only a float can be told from what is none: nearly any word is a whole number, and any bit a contact.

    Args:
        register: As the profile describes it.
        step: How far beside it, in addresses.
        words: So many as the register has; none where the device refused.
        low_si: [SI] Least that the signal can be.
        high_si: [SI] Most that it can be.
    """
    if not words:
        return NeighbourView(step, (), None, plausible=False)
    value_si = make_decoder(replace(register, power=None))(tuple(words), 0)[0]
    least = LEAST_SHARE * max(abs(low_si), abs(high_si))
    within = value_si is not None and low_si <= value_si <= high_si and abs(value_si) >= least
    plausible = within and register.word_type.of_floats
    return NeighbourView(step, tuple(words), value_si, plausible)


def views(words: Sequence[int]) -> tuple[WordView, ...]:
    """Read words in every way that takes exactly so many; one word has two orders only.

    Raises:
        ValueError: there are none, too many, or a word is no 16-bit number.
    """
    if not 1 <= len(words) <= LONGEST or not all(0 <= word <= 0xFFFF for word in words):
        raise ValueError(f"needs 1 to {LONGEST} words of 16 bits")
    found = []
    for kind in _NUMBERS:
        if kind.words == len(words):
            orders = (ByteOrder.ABCD, ByteOrder.BADC) if len(words) == 1 else tuple(ByteOrder)
            for order in orders:
                raw, reason = make_reader(RegisterSpec(Table.INPUT, 0, kind, order))(tuple(words), 0)
                found.append(WordView(kind.value, order.value, raw, reason.value))
    for order in (ByteOrder.ABCD, ByteOrder.BADC):
        register = RegisterSpec(Table.INPUT, 0, WordType.TEXT, order, characters=2 * len(words))
        text = text_of(register, words)
        found.append(WordView("text", order.value, text, "ok" if text is not None else "not printable"))
    return tuple(found)
