"""The published schema of a check's result, made ready once: every test that reads a result asks whether it meets it."""

from __future__ import annotations

import functools
from typing import Any

import jsonschema

from deskhand.result import json_schema


def _inlined(node: Any, definitions: dict[str, Any]) -> Any:
    """A schema with what it refers to in its place: looking that up anew for every value is most of the work."""
    if isinstance(node, dict):
        if "$ref" in node:
            return _inlined(definitions[node["$ref"].removeprefix("#/$defs/")], definitions)
        return {key: _inlined(value, definitions) for key, value in node.items() if key != "$defs"}
    return [_inlined(value, definitions) for value in node] if isinstance(node, list) else node


@functools.cache
def _validator() -> jsonschema.Draft202012Validator:
    schema = json_schema()
    return jsonschema.Draft202012Validator(_inlined(schema, schema["$defs"]))


def assert_meets_schema(data: dict[str, Any]) -> None:
    """Refuse data that is no result of a check."""
    _validator().validate(data)
