"""Device profiles: find the file, check it, and turn its registers into RegisterSpec with addresses as on the wire."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from crumbmeter.field.spec import ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.model.units import UNITS
from crumbmeter.site.documents import Document, read_document
from crumbmeter.site.keys.profile import ProfileKeys, RegisterKeys
from crumbmeter.site.lines import KeyPath
from crumbmeter.site.problems import Problem, nearest
from crumbmeter.site.validate import check_named, check_table

_DIGITS = {"0": Table.COIL, "1": Table.DISCRETE, "3": Table.INPUT, "4": Table.HOLDING}
"""First digit of a reference number and the table it means (the convention that modicon5 and modicon6 follow)."""


@dataclass(frozen=True, slots=True)
class Profile:
    """One register map, checked as far as it goes."""

    name: str
    doc: Document | None
    """None where the file could not be read at all."""
    keys: ProfileKeys | None
    """None where the limits of the device could not be made out."""
    registers: Mapping[str, RegisterSpec | None]
    """None for a register that has a mistake of its own."""
    writable: frozenset[str]


def profile_folders(site_path: Path) -> tuple[Path, ...]:
    """Return where profiles are looked for, in this order."""
    folder = site_path.parent
    above = folder.parent if folder.name not in ("", "..") else folder / ".."
    return (folder / "devices", above / "devices")


def find_profile(name: str, folders: Sequence[Path]) -> Path | None:
    """Return the file of a profile, or None."""
    for folder in folders:
        path = folder / f"{name}.toml"
        if path.is_file():
            return path
    return None


def known_profiles(folders: Sequence[Path]) -> list[str]:
    """List the names of all profiles that can be found."""
    return sorted({path.stem for folder in folders if folder.is_dir() for path in folder.glob("*.toml")})


def load_profile(name: str, path: Path, shown: str) -> tuple[Profile, list[Problem]]:
    """Read and check one profile."""
    doc = read_document(path, shown)
    if isinstance(doc, Problem):
        return Profile(name, None, None, {}, frozenset()), [doc]
    problems: list[Problem] = []
    # The registers are checked one by one; the table around them with a sound one in their place.
    stand_in = {"stand_in": {"table": "input", "address": 0, "type": "u16", "unit": "count"}}
    head = {**doc.data, "registers": stand_in} if doc.data.get("registers") else dict(doc.data)
    checked = check_table(ProfileKeys, doc, (), head)
    problems += checked.problems
    keys: ProfileKeys | None = checked.part
    entries = doc.data.get("registers") or {}
    parts: dict[str, RegisterKeys | None] = {}
    if entries:
        parts, found = check_named(RegisterKeys, doc, ("registers",), entries)
        problems += found
    specs: dict[str, RegisterSpec | None] = {}
    for register, part in parts.items():
        specs[register] = None
        if part is not None and keys is not None:
            spec, found = _register(doc, ("registers", register), keys, part)
            problems += found
            # One that also has a mistyped key is no ground for further complaints.
            sound = not found and f"registers.{register}" not in {
                problem.key.rpartition(".")[0] for problem in problems
            }
            specs[register] = spec if sound else None
    if keys is not None and keys.profile != name:
        remedy = f'Write profile = "{name}", or rename the file.'
        problems.append(doc.problem("profile-name", ("profile",), f"the file is called {name}.toml", remedy=remedy))
    writable = frozenset(register for register, part in parts.items() if part is not None and part.writable)
    return Profile(name, doc, keys, specs, writable), problems


def _register(
    doc: Document, path: KeyPath, profile: ProfileKeys, keys: RegisterKeys
) -> tuple[RegisterSpec, list[Problem]]:
    table = Table(keys.table)
    word_type = WordType(keys.type)
    problems = _shape(doc, path, keys, table, word_type)
    address = _offset(profile.notation, table, keys.address)
    if isinstance(address, str):
        problems.append(doc.problem("address-notation", (*path, "address"), address))
        address = 0
    elif address + word_type.words > 65536:
        expected = f"is offset {address} on the wire; the value would end beyond 65535"
        problems.append(doc.problem("address-range", (*path, "address"), expected))
    if not table.of_bits and word_type.words > profile.max_words:
        expected = f"takes {word_type.words} words, but the device gives {profile.max_words} in one read"
        remedy = "Raise max_words, or correct the type."
        problems.append(doc.problem("register-shape", (*path, "type"), expected, remedy=remedy))
    spec = RegisterSpec(
        table=table,
        address=address,
        word_type=word_type,
        order=ByteOrder(keys.order or "ABCD"),
        bit=keys.bit,
        scale=keys.scale,
        offset=keys.offset,
        unit=keys.unit,
        sentinels=keys.sentinels,
        inverted=keys.inverted,
    )
    return spec, problems


def _shape(doc: Document, path: KeyPath, keys: RegisterKeys, table: Table, word_type: WordType) -> list[Problem]:
    """Check that the keys of a register go together."""
    is_bit = word_type is WordType.BIT
    rows = [
        (table.of_bits and not is_bit, "type", f"a {table.value} holds bits: type must be bit"),
        (is_bit and not table.of_bits and keys.bit is None, "type", "a bit of a register needs the key bit, 0 to 15"),
        (keys.bit is not None and (table.of_bits or not is_bit), "bit", "only for type bit in input or holding"),
        (is_bit and "scale" in keys.model_fields_set, "scale", "a bit has no scale"),
        (is_bit and "offset" in keys.model_fields_set, "offset", "a bit has no offset"),
        (is_bit and bool(keys.sentinels), "sentinels", "a bit has no sentinels"),
        (is_bit and keys.unit in UNITS and keys.unit != "contact", "unit", "a bit has the unit contact"),
        (not is_bit and keys.unit == "contact", "unit", "only a bit can be a contact"),
        (not is_bit and keys.inverted, "inverted", "only a bit can be inverted"),
        (table.of_bits and keys.order is not None, "order", "a bit has no byte order"),
        (keys.scale == 0.0, "scale", "must not be 0: every value would be the same"),
        (keys.writable and not table.writable, "writable", f"a {table.value} cannot be written"),
        (
            keys.writable and is_bit and not table.of_bits,
            "writable",
            "one bit cannot be written without its neighbours",
        ),
    ]
    problems = [doc.problem("register-shape", (*path, key), text) for wrong, key, text in rows if wrong]
    limit = 16 * word_type.words
    if not is_bit and any(not -(1 << (limit - 1)) <= sentinel < (1 << limit) for sentinel in keys.sentinels):
        expected = f"a sentinel is beyond the {limit} bits of {word_type.value}"
        problems.append(doc.problem("register-shape", (*path, "sentinels"), expected))
    if keys.unit not in UNITS:
        problems.append(doc.problem("unknown-unit", (*path, "unit"), _unit_words(keys.unit)))
    return problems


def _unit_words(unit: str) -> str:
    if unit.split("/", maxsplit=1)[0] in ("ton", "tons", "t"):
        rest = unit[len(unit.split("/", maxsplit=1)[0]) :]
        return f"which ton? write short_ton{rest}, tonne{rest} or long_ton{rest}"
    close = nearest(unit, UNITS)
    return f"unknown unit; did you mean {close}?" if close else "unknown unit"


def _offset(notation: str, table: Table, address: int | str) -> int | str:
    """Return the PDU offset, or what is wrong with the address (REQ-14: explicit, never guessed)."""
    is_hex = isinstance(address, str) and address.startswith("0x")
    if notation == "hex":
        return int(str(address), 16) if is_hex else 'notation hex needs text such as "0x0010"'
    if is_hex:
        return f"is hex text, but the notation is {notation}"
    if notation == "offset":
        return int(address)
    return _reference_offset(notation, table, str(address))


def _reference_offset(notation: str, table: Table, digits: str) -> int | str:
    width = 5 if notation == "modicon5" else 6
    digits = digits.rjust(width, "0")
    lead, number = digits[0], int(digits[1:])
    if len(digits) != width or number < 1 or lead not in _DIGITS:
        return f"is no {notation} number such as {'40101' if width == 5 else '400101'}"
    if _DIGITS[lead] is not table:
        return f"{digits} is in table {_DIGITS[lead].value}, but table says {table.value}"
    return number - 1
