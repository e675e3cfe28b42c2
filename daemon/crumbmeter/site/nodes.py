"""The nodes of an OPC UA profile: their keys checked against each other, and turned into RegisterSpecs. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import replace

from crumbmeter.field.opcua import NAMES, WORDS, node_register
from crumbmeter.field.spec import RegisterSpec, WordType
from crumbmeter.model.units import UNITS
from crumbmeter.site.documents import Document
from crumbmeter.site.keys.nodes import NodeKeys, NodeProfileKeys
from crumbmeter.site.problems import Problem
from crumbmeter.site.registers import check_sentinels, unit_words


def build_nodes(
    doc: Document, profile: NodeProfileKeys, parts: Mapping[str, NodeKeys | None]
) -> tuple[dict[str, RegisterSpec | None], list[Problem]]:
    """Build the nodes of a profile, each at its place in the order of the file, and say what is wrong with them."""
    specs: dict[str, RegisterSpec | None] = {}
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    for position, (name, keys) in enumerate(parts.items()):
        specs[name] = None
        if keys is None:
            continue
        path = ("registers", name)
        spec = _spec(profile, keys, position * WORDS)
        found = [doc.problem("register-shape", (*path, key), text) for wrong, key, text in _rows(keys) if wrong]
        if keys.unit not in UNITS:
            found.append(doc.problem("unknown-unit", (*path, "unit"), unit_words(keys.unit)))
        other = seen.setdefault(keys.node, name)
        if other != name:
            found.append(doc.problem("register-shape", (*path, "node"), f"is the node of {other} already"))
        found = found or check_sentinels(doc, path, keys.sentinels, spec)
        problems += found
        specs[name] = None if found else spec
    return specs, problems


def _spec(profile: NodeProfileKeys, keys: NodeKeys, address: int) -> RegisterSpec:
    spec = node_register(address, NAMES[keys.type][0], f"nsu={profile.namespace};{keys.node}")
    return replace(
        spec,
        scale=keys.scale,
        offset=keys.offset,
        unit=keys.unit,
        sentinels=keys.sentinels,
        inverted=keys.inverted,
    )


def _rows(keys: NodeKeys) -> Iterator[tuple[bool, str, str]]:
    is_bit, given = NAMES[keys.type][0] is WordType.BIT, keys.model_fields_set
    yield is_bit and "scale" in given, "scale", "a boolean has no scale"
    yield is_bit and "offset" in given, "offset", "a boolean has no offset"
    yield is_bit and bool(keys.sentinels), "sentinels", "a boolean has no sentinels"
    yield is_bit and keys.unit in UNITS and keys.unit != "contact", "unit", "a boolean has the unit contact"
    yield not is_bit and keys.unit == "contact", "unit", "only a boolean can be a contact"
    yield not is_bit and keys.inverted, "inverted", "only a boolean can be inverted"
    yield keys.scale == 0.0, "scale", "must not be 0: every value would be the same"
