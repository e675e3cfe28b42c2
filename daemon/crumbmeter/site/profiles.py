"""Device profiles: find the file, check it, and turn its registers into RegisterSpec with addresses as on the wire."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from crumbmeter.field.spec import RegisterSpec
from crumbmeter.site.documents import Document, read_document
from crumbmeter.site.keys.nodes import NodeKeys, NodeProfileKeys
from crumbmeter.site.keys.profile import ProfileKeys, RegisterKeys
from crumbmeter.site.nodes import build_nodes
from crumbmeter.site.problems import Problem
from crumbmeter.site.register_groups import tie_registers
from crumbmeter.site.registers import build_register, check_forbidden
from crumbmeter.site.validate import check_named, check_table


@dataclass(frozen=True, slots=True)
class Profile:
    """One register map, checked as far as it goes."""

    name: str
    doc: Document | None
    """None where the file could not be read at all."""
    keys: ProfileKeys | NodeProfileKeys | None
    """None where the limits of the device could not be made out."""
    registers: Mapping[str, RegisterSpec | None]
    """None for a register that has a mistake of its own."""
    writable: frozenset[str]

    @property
    def of_nodes(self) -> bool:
        """Tell whether its device speaks OPC UA."""
        return self.doc is not None and self.doc.data.get("protocol") == "opcua"


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
    load = _load_nodes if doc.data.get("protocol") == "opcua" else _load_registers
    keys, specs, writable, problems = load(doc)
    if keys is not None and keys.profile != name:
        remedy = f'Write profile = "{name}", or rename the file.'
        problems.append(doc.problem("profile-name", ("profile",), f"the file is called {name}.toml", remedy=remedy))
    return Profile(name, doc, keys, specs, writable), problems


_Loaded = tuple[ProfileKeys | NodeProfileKeys | None, Mapping[str, RegisterSpec | None], frozenset[str], list[Problem]]


def _load_registers(doc: Document) -> _Loaded:
    problems: list[Problem] = []
    # The registers are checked one by one; the table around them with a sound one in their place.
    checked = check_table(ProfileKeys, doc, (), _head(doc, {"table": "input", "address": 0, "type": "u16"}))
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
            spec, found = build_register(doc, ("registers", register), keys, part)
            problems += found
            specs[register] = spec if not found and _sound(register, problems) else None
    if keys is not None:
        problems += check_forbidden(doc, keys)
        specs, found = tie_registers(doc, keys, parts, specs)
        problems += found
    return keys, specs, _writable(parts), problems


def _load_nodes(doc: Document) -> _Loaded:
    problems: list[Problem] = []
    checked = check_table(NodeProfileKeys, doc, (), _head(doc, {"node": "i=1", "type": "double"}))
    problems += checked.problems
    keys: NodeProfileKeys | None = checked.part
    entries = doc.data.get("registers") or {}
    parts: dict[str, NodeKeys | None] = {}
    if entries:
        parts, found = check_named(NodeKeys, doc, ("registers",), entries)
        problems += found
    specs: dict[str, RegisterSpec | None] = dict.fromkeys(parts)
    if keys is not None:
        specs, found = build_nodes(doc, keys, parts)
        problems += found
        specs = {register: spec if _sound(register, problems) else None for register, spec in specs.items()}
    return keys, specs, _writable(parts), problems


def _head(doc: Document, stand_in: dict[str, object]) -> dict[str, object]:
    entries = {"stand_in": {**stand_in, "unit": "count"}}
    return {**doc.data, "registers": entries} if doc.data.get("registers") else dict(doc.data)


def _sound(register: str, problems: Sequence[Problem]) -> bool:
    """Tell whether nothing is wrong with a register: one that has a mistyped key is no ground for more complaints."""
    return f"registers.{register}" not in {problem.key.rpartition(".")[0] for problem in problems}


def _writable(parts: Mapping[str, RegisterKeys | None] | Mapping[str, NodeKeys | None]) -> frozenset[str]:
    return frozenset(register for register, part in parts.items() if part is not None and part.writable)
