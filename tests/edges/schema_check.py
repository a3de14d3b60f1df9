"""Whether a JSON value is what a schema of the published document says: the few keywords that the document uses.

Strict: a key that the schema does not name is a fault, so that nothing is answered that is not described.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

_KINDS: Final = {
    "object": dict, "array": list, "string": str, "boolean": bool, "null": type(None), "integer": int,
    "number": (int, float),
}  # fmt: skip
_KNOWN: Final = {
    "$ref", "anyOf", "type", "enum", "const", "properties", "required", "additionalProperties", "items", "minimum",
    "maximum", "minLength", "maxLength", "minItems", "maxItems", "title", "description", "default", "format",
}  # fmt: skip
_OWN: Final = {"unit", "left_out", "right", "low", "high"}
"""Notes of our own beside a field: annotations, which a validator passes over (JSON Schema 2020-12, 7.7)."""


def faults(value: Any, schema: Any, document: dict[str, Any], place: str = "") -> Iterator[str]:
    """What is wrong with `value`, a line each. ValueError for a keyword that this check does not know."""
    if schema is True:
        return
    if unknown := set(schema) - _KNOWN - _OWN:
        raise ValueError(f"{place}: keywords {unknown}")
    if "$ref" in schema:
        found: Any = document
        for part in schema["$ref"].removeprefix("#/").split("/"):
            found = found[part]
        yield from faults(value, found, document, place)
    if "anyOf" in schema:
        tried = [list(faults(value, one, document, place)) for one in schema["anyOf"]]
        if all(tried):
            yield from min(tried, key=len)
    yield from _plain(value, schema, place)
    if isinstance(value, dict) and schema.get("type") == "object":
        known = schema.get("properties", {})
        rest = schema.get("additionalProperties", not known)
        yield from (f"{place}.{name} is missing" for name in schema.get("required", ()) if name not in value)
        for name, inner in value.items():
            if name not in known and rest is False:
                yield f"{place}.{name} is not described"
            else:
                yield from faults(inner, known.get(name, rest), document, f"{place}.{name}")
    if isinstance(value, list) and "items" in schema:
        for index, inner in enumerate(value):
            yield from faults(inner, schema["items"], document, f"{place}[{index}]")


def _plain(value: Any, schema: dict[str, Any], place: str) -> Iterator[str]:
    kind = schema.get("type")
    if kind is not None and (not isinstance(value, _KINDS[kind]) or (isinstance(value, bool) and kind != "boolean")):
        yield f"{place} is {value!r}, no {kind}"
    elif "enum" in schema and value not in schema["enum"]:
        yield f"{place} is {value!r}, none of {schema['enum']}"
    elif "const" in schema and value != schema["const"]:
        yield f"{place} is {value!r}, not {schema['const']!r}"
    elif kind in ("number", "integer") and not (
        schema.get("minimum", value) <= value <= schema.get("maximum", value)
    ):
        yield f"{place} is {value!r}, out of range"
    elif kind == "string" and len(value) > schema.get("maxLength", len(value)):
        yield f"{place} is too long"


def answer_faults(document: dict[str, Any], method: str, path: str, answer: Any) -> list[str]:
    """What is wrong with an httpx answer to `method path` (as the document names it): status, media type, body."""
    route = document["paths"][path][method.lower()]
    told = route["responses"].get(str(answer.status_code))
    if told is None:
        return [f"{method} {path} does not say that it answers {answer.status_code}"]
    if "$ref" in told:
        told = document["components"]["responses"][told["$ref"].rsplit("/", 1)[1]]
    kind = answer.headers.get("content-type", "").partition(";")[0]
    if kind not in told.get("content", {}):
        return [] if not told.get("content") and not answer.content else [f"{method} {path} answers {kind}"]
    schema = told["content"][kind]["schema"]
    value = answer.json() if kind.endswith("json") else answer.text
    return list(faults(value, schema, document, f"{method} {path}"))
