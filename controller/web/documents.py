"""The OpenAPI document: bodies are read by our own strict rules, so their schemas are added here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from . import bodies

_TEMPLATE: Final = "#/components/schemas/{model}"
TABLES: Final = (
    bodies.PairBody,
    bodies.StartBody,
    bodies.ResumeBody,
    bodies.ConfirmBody,
    bodies.PreheatBody,
    bodies.QuenchBody,
    bodies.PresenceBody,
    bodies.RehearsalBody,
)


def body_of(table: type[bodies.Body]) -> dict[str, Any]:
    """What a route adds to the document to say what it reads."""
    schema = {"$ref": _TEMPLATE.format(model=table.__name__)}
    return {"requestBody": {"required": not table.may_be_empty, "content": {"application/json": {"schema": schema}}}}


def document_of(app: FastAPI) -> Callable[[], dict[str, Any]]:
    """Makes the document when it is first asked for."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            made = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
            schemas = made.setdefault("components", {}).setdefault("schemas", {})
            for table in TABLES:
                schema = table.model_json_schema(ref_template=_TEMPLATE)
                schemas.update(schema.pop("$defs", {}))
                schemas[table.__name__] = schema
            app.openapi_schema = made
        return app.openapi_schema

    return document
