"""The JSON schemas of site files and device profiles, for editors. Made from the models; stored in config/. Pure.

An editor sees single keys only. What keys mean together is judged by `crumbmeter check`.
"""

import json
from typing import Any

from crumbmeter.model.units import UNITS
from crumbmeter.site.draft import OF_BATCHES, OF_DRUM
from crumbmeter.site.keys.base import Keys
from crumbmeter.site.keys.nodes import NodeProfileKeys
from crumbmeter.site.keys.profile import ProfileKeys
from crumbmeter.site.keys.site import ROLES, SiteFile


def site_schema() -> dict[str, Any]:
    """Return the schema of a site file."""
    schema = _schema(SiteFile, "A site of crumbmeter")
    outputs = schema["properties"]["outputs"]
    entry = next(iter(outputs.pop("patternProperties").values()))
    outputs["properties"] = dict.fromkeys(ROLES, entry)
    outputs["additionalProperties"] = False
    schema["oneOf"] = [{"required": list(OF_DRUM)}, {"required": list(OF_BATCHES)}]
    return schema


def profile_schema() -> dict[str, Any]:
    """Return the schema of a device profile."""
    registers = _schema(ProfileKeys, "A device profile of crumbmeter")
    nodes = _schema(NodeProfileKeys, "A device profile of crumbmeter")
    registers["properties"]["protocol"]["enum"] = ["modbus"]
    defs = {**registers.pop("$defs"), **nodes.pop("$defs")}
    for name in ("RegisterKeys", "NodeKeys"):
        defs[name]["properties"]["unit"]["enum"] = list(UNITS)
    head = {key: registers.pop(key) for key in ("$schema", "title")}
    arms = [{key: value for key, value in arm.items() if key not in head} for arm in (registers, nodes)]
    return {**head, "$defs": defs, "oneOf": arms}


def schema_text(schema: dict[str, Any]) -> str:
    """Write a schema as it is stored."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def _schema(model: type[Keys], title: str) -> dict[str, Any]:
    schema: dict[str, Any] = _plain(model.model_json_schema(by_alias=True))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}


def _plain(value: Any) -> Any:
    """Take out what TOML cannot say (null) and what pydantic adds without need (titles), and close tables of names."""
    if isinstance(value, list):
        return [_plain(item) for item in value]
    if not isinstance(value, dict):
        return value
    out = {key: _plain(item) for key, item in value.items() if not (key == "title" and isinstance(item, str))}
    if out.get("default", "") is None:
        del out["default"]
    arms = [arm for arm in out.get("anyOf", []) if arm != {"type": "null"}]
    if "anyOf" in out:
        del out["anyOf"]
        out = {**arms[0], **out} if len(arms) == 1 else {"anyOf": arms, **out}
    if "patternProperties" in out:
        out["additionalProperties"] = False
    return out
