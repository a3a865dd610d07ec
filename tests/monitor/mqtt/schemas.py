"""The shipped schema, read by a library that is none of ours, and closed against what it omits."""

import json
from functools import cache
from importlib.resources import files
from typing import Any

from jsonschema import Draft202012Validator

SCHEMA: dict[str, Any] = json.loads(
    (files("rig.monitor.mqtt") / "schema.json").read_text(encoding="utf-8")
)


def closed(part: Any) -> Any:
    """Return a schema in which every object has the fields that are described, and no other."""
    if isinstance(part, list):
        return [closed(each) for each in part]
    if not isinstance(part, dict):
        return part
    found = {key: closed(value) for key, value in part.items()}
    if isinstance(found.get("properties"), dict) and "type" in found:
        found.setdefault("additionalProperties", False)
    return found


@cache
def validator(topic: str) -> Draft202012Validator:
    schema = closed(SCHEMA) | {"$ref": f"#/$defs/{topic}"}
    checks = Draft202012Validator.FORMAT_CHECKER
    return Draft202012Validator(schema, format_checker=checks)


def no_number(text: str) -> Any:
    raise ValueError(f"{text} is no JSON (RFC 8259, section 6)")


def check(topic: str, payload: bytes) -> dict[str, Any]:
    """Return what a payload tells; fails where it is not what the schema says of its topic."""
    told = json.loads(payload.decode("utf-8"), parse_constant=no_number)
    validator(topic).validate(told)
    found: dict[str, Any] = told
    return found
