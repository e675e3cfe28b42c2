"""Values of OPC UA nodes as words and back, and what their status codes mean (REQ-38). Pure; knows no library.

A node takes eight words: four for its value, in the order of its bytes and left-aligned; two for the status code, just
as the server sent it; one for the encoding byte of the variant (OPC UA Part 6, table 1 and section 5.2.2.16: built-in
type, 0x80 for an array), which tells whether a value came at all and of which type; and one that is 0. Nothing is
judged on the way in: the record holds what was said, and a replay judges it again.

Status codes: Part 4, section 7.39 (severity in the top two bits, 11 reserved and taken for Bad; the sub-code in the
twelve bits from 27 to 16) and Part 8, section 6.3.2 (the sub-codes of measured values). Their numbers are those of the
OPC Foundation's public list StatusCode.csv.
"""

from collections.abc import Mapping
from typing import Final

from crumbmeter.field.spec import AddressSpan, ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.field.words import decode_words
from crumbmeter.field.words_codes import bits_for, codecs, words_of
from crumbmeter.field.words_decoders import Decoded, Decoder, make_decoder
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality, Reason

WORDS: Final = 8
"""Addresses from one node to the next."""
STATUS_AT: Final = 4
TYPE_AT: Final = 6
ARRAY: Final = 0x80
NAMES: Final[Mapping[str, tuple[WordType, int]]] = {
    "boolean": (WordType.BIT, 1),
    "int16": (WordType.I16, 4),
    "uint16": (WordType.U16, 5),
    "int32": (WordType.I32, 6),
    "uint32": (WordType.U32, 7),
    "int64": (WordType.I64, 8),
    "uint64": (WordType.U64, 9),
    "float": (WordType.F32, 10),
    "double": (WordType.F64, 11),
}
"""Built-in types that can be a value, with their numbers (Part 6, table 1)."""
TYPE_NUMBERS: Final[Mapping[WordType, int]] = dict(NAMES.values())
TYPE_NAMES: Final[Mapping[WordType, str]] = {kind: name for name, (kind, _) in NAMES.items()}
_BAD_FROM, _UNCERTAIN_FROM = 0x8000, 0x4000
_GOOD_LOCAL_OVERRIDE = 0x0096
_SAID: Final[Mapping[int, Reason]] = {
    0x0096: Reason.LOCAL_OVERRIDE,
    0x408F: Reason.SAYS_LAST_USABLE,
    0x4090: Reason.SAYS_LAST_USABLE,
    0x4091: Reason.SAYS_SUBSTITUTE,
    0x4092: Reason.SAYS_INITIAL,
    0x4093: Reason.SAYS_NOT_ACCURATE,
    0x4094: Reason.SAYS_EXCEEDED,
    0x4095: Reason.SAYS_SUB_NORMAL,
    0x801F: Reason.SAYS_NOT_READABLE,
    0x8031: Reason.SAYS_NO_COMMUNICATION,
    0x8032: Reason.SAYS_WAITING,
    0x8033: Reason.SAYS_NO_SUCH_NODE,
    0x8034: Reason.SAYS_NO_SUCH_NODE,
    0x803A: Reason.SAYS_NOT_READABLE,
    0x8089: Reason.SAYS_CONFIGURATION_ERROR,
    0x808A: Reason.SAYS_NOT_CONNECTED,
    0x808B: Reason.SAYS_DEVICE_FAILURE,
    0x808C: Reason.SAYS_SENSOR_FAILURE,
    0x808D: Reason.SAYS_OUT_OF_SERVICE,
}
"""By the upper half of the status code."""


@dataclass(frozen=True, slots=True)
class NodeValue:
    """One node's value as it came: nothing of it is judged."""

    status: int
    """The whole status code."""
    type_number: int = 0
    """Encoding byte of the variant; 0: no value."""
    value: bool | int | float | None = None
    """None where it is no single number or truth value."""


def judge_status(status: int) -> tuple[Quality, Reason]:
    """Say what a status code means: by its severity, and why by its sub-code."""
    upper = status >> 16
    code = upper & 0xCFFF  # the two bits between severity and sub-code are reserved
    if upper >= _BAD_FROM:
        return Quality.BAD, _SAID.get(code, Reason.SAYS_BAD)
    if upper >= _UNCERTAIN_FROM:
        return Quality.UNCERTAIN, _SAID.get(code, Reason.SAYS_UNCERTAIN)
    return Quality.GOOD, Reason.LOCAL_OVERRIDE if code == _GOOD_LOCAL_OVERRIDE else Reason.OK


def node_register(address: int, word_type: WordType, node: str) -> RegisterSpec:
    """Describe a node's value, before any scaling.

    Args:
        address: Of its first word, a multiple of `WORDS`.
        word_type: Of its value.
        node: Its id, with the namespace.
    """
    return RegisterSpec(
        table=Table.NODE,
        address=address,
        word_type=word_type,
        order=ByteOrder.ABCD,
        bit=0 if word_type is WordType.BIT else None,
        together=AddressSpan(address, address + WORDS),
        node=node,
    )


def words_of_node(register: RegisterSpec, found: NodeValue) -> tuple[int, ...]:
    """Lay what came of a node out as words. A value that is not of the type described leaves its words at 0."""
    words: tuple[int, ...] = ()
    number = found.type_number & 0xFF
    if number == TYPE_NUMBERS[register.word_type]:
        if found.value is None:
            number = 0  # the type alone is no value
        else:
            words = _raw_words(register, found.value)
    padded = words + (0,) * (STATUS_AT - len(words))
    return (*padded, found.status >> 16 & 0xFFFF, found.status & 0xFFFF, number, 0)


def _raw_words(register: RegisterSpec, value: float) -> tuple[int, ...]:
    if register.word_type.of_floats:
        # Infinite and not-a-number too: they are what was said.
        packer, writer = codecs(register)
        words: tuple[int, ...] = packer.unpack(writer.pack(value))
        return words
    if register.word_type is WordType.BIT:
        return (int(value),)
    return words_of(register, bits_for(register, int(value)))


def make_node_decoder(register: RegisterSpec) -> Decoder:
    """Prepare reading a node's words: status first, then type, then the number itself."""
    plain = make_decoder(register)
    wanted = TYPE_NUMBERS[register.word_type]
    no_value: Decoded = (None, Reason.NO_VALUE)
    other_type: Decoded = (None, Reason.OTHER_TYPE)

    def decode(words: tuple[int, ...], offset: int) -> Decoded:
        upper, found = words[offset + STATUS_AT], words[offset + TYPE_AT]
        if upper >= _BAD_FROM:
            return None, judge_status(upper << 16)[1]
        if found != wanted:
            return other_type if found else no_value
        decoded = plain(words, offset)
        return decoded if upper == 0 or decoded[0] is None else (decoded[0], judge_status(upper << 16)[1])

    return decode


def read_back(register: RegisterSpec, words: tuple[int, ...], offset: int) -> tuple[int, ...]:
    """Return the words of a value in a block as the device holds it; none where it does not stand by its value.

    Only a Good value of the right type confirms what was written to a node: the 0 of one that is Bad is no 0.
    """
    own = words[offset : offset + register.count]
    if register.table is not Table.NODE or not own:
        return own
    whole = words[offset + TYPE_AT] == TYPE_NUMBERS[register.word_type]
    return own if whole and words[offset + STATUS_AT] < _UNCERTAIN_FROM else ()


def value_of(register: RegisterSpec, words: tuple[int, ...]) -> tuple[int, bool | int | float]:
    """Return the built-in type and the value that words to be written mean."""
    raw = decode_words(register, words)
    number = TYPE_NUMBERS[register.word_type]
    return number, bool(raw) if register.word_type is WordType.BIT else raw
