"""One register of a profile: its keys checked against each other, and turned into a RegisterSpec. Pure."""

from collections.abc import Iterator
from dataclasses import replace

from crumbmeter.field.notation import NotationError, pdu_offset
from crumbmeter.field.scaling import loop_limits, two_points
from crumbmeter.field.spec import (
    AddressSpan,
    ByteOrder,
    Forbidden,
    LiveZero,
    RegisterSpec,
    Table,
    WordType,
)
from crumbmeter.field.words_codes import MASKABLE, raw_range
from crumbmeter.model.units import UNITS
from crumbmeter.site.documents import Document
from crumbmeter.site.keys.profile import ProfileKeys, RegisterKeys
from crumbmeter.site.lines import KeyPath
from crumbmeter.site.problems import Problem, nearest

MODBUS_TABLES = (Table.COIL, Table.DISCRETE, Table.INPUT, Table.HOLDING)
POINTS = ("raw_low", "raw_high", "eng_low", "eng_high")
_Row = tuple[bool, str, str]
"""Whether it is wrong, the key to point at, and what to say."""


def build_register(
    doc: Document, path: KeyPath, profile: ProfileKeys, keys: RegisterKeys
) -> tuple[RegisterSpec, list[Problem]]:
    """Build one register, apart from what it has to do with others, and say what is wrong with it."""
    table, word_type = Table(keys.table), WordType(keys.type)
    spec = RegisterSpec(
        table=table,
        address=0,
        word_type=word_type,
        order=ByteOrder(keys.order or "ABCD"),
        bit=keys.bit,
        scale=keys.scale,
        offset=keys.offset,
        unit=keys.unit or "count",
        sentinels=keys.sentinels,
        inverted=keys.inverted,
        mask=keys.mask,
        characters=keys.characters or 0,
    )
    problems = _shape(doc, path, keys, spec)
    if not problems:
        spec, problems = _scaled(doc, path, keys, spec)
    address = _offset(profile.notation, table, keys.address)
    if isinstance(address, str):
        problems.append(doc.problem("address-notation", (*path, "address"), address))
        address = 0
    elif address + spec.count > 65536:
        expected = f"is offset {address} on the wire; the value would end beyond 65535"
        problems.append(doc.problem("address-range", (*path, "address"), expected))
    if not table.of_bits and spec.count > profile.max_words:
        expected = f"takes {spec.count} words, but the device gives {profile.max_words} in one read"
        remedy = "Raise max_words, or correct the type."
        problems.append(doc.problem("register-shape", (*path, "type"), expected, remedy=remedy))
    return replace(spec, address=address), problems


def _shape(doc: Document, path: KeyPath, keys: RegisterKeys, spec: RegisterSpec) -> list[Problem]:
    """Check that the keys of a register go together."""
    kind = spec.word_type
    rows = [*_common_rows(keys, spec)]
    if kind is WordType.TEXT:
        rows += _text_rows(keys)
    if keys.mask is not None:
        rows += _mask_rows(keys, spec)
    problems = [doc.problem("register-shape", (*path, key), text) for wrong, key, text in rows if wrong]
    if keys.unit is None and kind is not WordType.TEXT:
        remedy = f"Add unit to [{'.'.join(map(str, path))}]."
        problems.append(doc.problem("missing-key", (*path, "unit"), "is missing", remedy=remedy))
    elif keys.unit is not None and keys.unit not in UNITS:
        problems.append(doc.problem("unknown-unit", (*path, "unit"), unit_words(keys.unit)))
    return problems or check_sentinels(doc, path, keys.sentinels, spec)


def _common_rows(keys: RegisterKeys, spec: RegisterSpec) -> Iterator[_Row]:
    table, given = spec.table, keys.model_fields_set
    is_bit, is_text = spec.word_type is WordType.BIT, spec.word_type is WordType.TEXT
    yield table.of_bits and not is_bit, "type", f"a {table.value} holds bits: type must be bit"
    yield is_bit and not table.of_bits and keys.bit is None, "type", "a bit of a register needs the key bit, 0 to 15"
    yield keys.bit is not None and (table.of_bits or not is_bit), "bit", "only for type bit in input or holding"
    yield is_bit and "scale" in given, "scale", "a bit has no scale"
    yield is_bit and "offset" in given, "offset", "a bit has no offset"
    yield is_bit and bool(keys.sentinels), "sentinels", "a bit has no sentinels"
    yield is_bit and keys.unit in UNITS and keys.unit != "contact", "unit", "a bit has the unit contact"
    yield not is_bit and keys.unit == "contact", "unit", "only a bit can be a contact"
    yield not is_bit and keys.inverted, "inverted", "only a bit can be inverted"
    yield table.of_bits and keys.order is not None, "order", "a bit has no byte order"
    yield keys.scale == 0.0, "scale", "must not be 0: every value would be the same"
    yield keys.writable and not table.writable, "writable", f"a {table.value} cannot be written"
    alone = keys.writable and not table.of_bits
    yield alone and is_bit, "writable", "one bit cannot be written without its neighbours"
    yield alone and keys.mask is not None, "writable", "some bits cannot be written without their neighbours"
    yield keys.characters is not None and not is_text, "characters", "only for type text"
    for key in ("scale_register", "decimals_register"):
        named = getattr(keys, key) is not None
        yield named and (is_bit or is_text), key, "only for a number"
        yield named and keys.writable, key, "the device may change the power of ten: such a value is only read"
        yield named and keys.live_zero, key, "a current loop has no power of ten"
    both = keys.scale_register is not None and keys.decimals_register is not None
    yield both, "decimals_register", "a value has one power of ten: keep scale_register or decimals_register"


def _text_rows(keys: RegisterKeys) -> Iterator[_Row]:
    yield keys.characters is None, "type", "a text needs the key characters"
    yield keys.order not in (None, "ABCD", "BADC"), "order", "a text has the order ABCD or BADC"
    yield keys.unit is not None, "unit", "a text has no unit"
    yield keys.writable, "writable", "a text is never written"
    yield bool(keys.sentinels), "sentinels", "a text has no sentinels"
    for key in ("scale", "offset", *POINTS, "live_zero"):
        yield key in keys.model_fields_set, key, "a text has no scaling"


def _mask_rows(keys: RegisterKeys, spec: RegisterSpec) -> Iterator[_Row]:
    kind, mask = spec.word_type, keys.mask or 0
    yield kind not in MASKABLE, "mask", "only for the types u16 to i64"
    shifted = mask // (mask & -mask)
    yield shifted & (shifted + 1) != 0, "mask", "the bits must stand side by side"
    yield mask >> (16 * kind.words) != 0, "mask", f"reaches beyond the {16 * kind.words} bits of {kind.value}"
    yield shifted == 1 and mask < 1 << 16 * kind.words, "mask", "one bit alone is a contact: use type bit"


def check_sentinels(doc: Document, path: KeyPath, sentinels: tuple[int, ...], spec: RegisterSpec) -> list[Problem]:
    """Check that each sentinel can be sent at all."""
    kind = spec.word_type
    if not sentinels:
        return []
    limit = (spec.mask // (spec.mask & -spec.mask)).bit_length() if spec.mask else 16 * kind.words
    lowest = 0 if kind.of_codes else -(1 << (limit - 1))
    if all(lowest <= sentinel < (1 << limit) for sentinel in sentinels):
        return []
    expected = f"a sentinel is beyond the {limit} bits of {kind.value}"
    if kind.of_codes and min(sentinels) < 0:
        expected = f"in {kind.value} a sentinel is a bit pattern, such as 0xFFFF, and never negative"
    return [doc.problem("register-shape", (*path, "sentinels"), expected)]


def _scaled(doc: Document, path: KeyPath, keys: RegisterKeys, spec: RegisterSpec) -> tuple[RegisterSpec, list[Problem]]:
    """Turn two points into scale and offset, and say what is wrong with them."""
    values = {key: value for key in POINTS if (value := getattr(keys, key)) is not None}
    problems = [
        doc.problem("scaling", (*path, key), text) for wrong, key, text in _point_rows(keys, spec, values) if wrong
    ]
    if problems or not values:
        return spec, problems
    try:
        scale, offset = two_points(**values)
    except ValueError:
        return spec, [doc.problem("scaling", (*path, "raw_high"), "the two points make no line that can be followed")]
    live_zero = LiveZero(values["raw_low"], values["raw_high"]) if keys.live_zero else None
    spec = replace(spec, scale=scale, offset=offset, live_zero=live_zero)
    return spec, _loop_problems(doc, path, spec)


def _point_rows(keys: RegisterKeys, spec: RegisterSpec, values: dict[str, float]) -> Iterator[_Row]:
    missing = [key for key in POINTS if key not in values]
    yield bool(values) and bool(missing), next(iter(values), "type"), f"needs {', '.join(missing)} too"
    for key in ("scale", "offset"):
        yield bool(values) and key in keys.model_fields_set, key, "the two points say it already"
    is_bit = spec.word_type is WordType.BIT
    yield bool(values) and is_bit, next(iter(values), "type"), "a bit has no scaling"
    yield keys.live_zero and not values, "live_zero", f"needs {', '.join(POINTS)}"
    yield keys.live_zero and keys.writable, "writable", "a current loop is only read"
    if not missing:
        yield values["raw_low"] == values["raw_high"], "raw_high", "must not be the same as raw_low"
        yield values["eng_low"] == values["eng_high"], "eng_high", "must not be the same as eng_low"
        backwards = keys.live_zero and values["raw_low"] > values["raw_high"]
        yield backwards, "raw_high", "must be above raw_low: 20 mA is more than 4 mA"


def _loop_problems(doc: Document, path: KeyPath, spec: RegisterSpec) -> list[Problem]:
    """Check that the counts can show a broken wire at all: a block that ends at 4 mA shows it as zero."""
    if spec.live_zero is None or spec.word_type.of_floats:
        return []
    limits = loop_limits(spec.live_zero)
    lowest, highest = raw_range(spec)
    problems = []
    if limits.failure_low < lowest:
        expected = f"3.6 mA would be {limits.failure_low:g}: below {lowest:g}, a broken wire would read as zero"
        remedy = "Set the block to a range that goes below 4 mA, such as 0 to 20 mA, and give its counts."
        problems.append(doc.problem("scaling", (*path, "raw_low"), expected, remedy=remedy))
    if limits.failure_high > highest:
        expected = f"21 mA would be {limits.failure_high:g}: above {highest:g}, a failure would read as full"
        remedy = "Set the block to a range that goes beyond 21 mA, and give its counts."
        problems.append(doc.problem("scaling", (*path, "raw_high"), expected, remedy=remedy))
    return problems


def unit_words(unit: str) -> str:
    """Say what is wrong with a unit that is not on the list."""
    if unit.split("/", maxsplit=1)[0] in ("ton", "tons", "t"):
        rest = unit[len(unit.split("/", maxsplit=1)[0]) :]
        return f"which ton? write short_ton{rest}, tonne{rest} or long_ton{rest}"
    close = nearest(unit, UNITS)
    return f"unknown unit; did you mean {close}?" if close else "unknown unit"


def _offset(notation: str, table: Table, address: int | str) -> int | str:
    """Return the PDU offset, or what is wrong with the address (REQ-14: explicit, never guessed)."""
    try:
        return pdu_offset(notation, table, address)
    except NotationError as error:
        return error.expected


def forbidden_of(profile: ProfileKeys) -> tuple[Forbidden, ...]:
    """Return the addresses that no request may touch; pairs with a mistake, which is said elsewhere, are left out."""
    return tuple(hole for _, hole in _holes(profile) if isinstance(hole, Forbidden))


def check_forbidden(doc: Document, profile: ProfileKeys) -> list[Problem]:
    """Say what is wrong with the pairs of forbidden addresses."""
    return [
        doc.problem("address-notation", ("forbidden", *path), hole)
        for path, hole in _holes(profile)
        if isinstance(hole, str)
    ]


def _holes(profile: ProfileKeys) -> Iterator[tuple[KeyPath, Forbidden | str]]:
    for table in MODBUS_TABLES:
        for index, pair in enumerate(getattr(profile.forbidden, table.value)):
            first, last = (_offset(profile.notation, table, address) for address in pair)
            if isinstance(first, str) or isinstance(last, str):
                yield (table.value, index), first if isinstance(first, str) else str(last)
            elif last < first:
                yield (table.value, index), "the last address must not be before the first"
            else:
                yield (table.value, index), Forbidden(table, AddressSpan(first, last + 1))
