"""The OpenAPI document: bodies are read by our own strict rules and answers written by our own encoder, so that
their schemas are added here, when the document is first asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode

from . import bodies, steel_bodies
from .addresses import Whole, described
from .guard import READS, is_public
from .problems import PROBLEM_TYPE

_TEMPLATE: Final = "#/components/schemas/{model}"
JSON: Final = "application/json"
TABLES: Final[tuple[type[bodies.Body], ...]] = (
    bodies.PairBody,
    bodies.StartBody,
    bodies.ResumeBody,
    bodies.ConfirmBody,
    bodies.PreheatBody,
    bodies.QuenchBody,
    bodies.PresenceBody,
    bodies.RehearsalBody,
    *steel_bodies.TABLES,
)
_MEANS: Final = {
    400: "The request broke off.",
    401: "Not paired, or a wrong token or code.",
    403: "The page is not this machine's own, or the device may only look on.",
    404: "There is none of this number.",
    408: "The request came too slowly.",
    409: "Refused, with every reason.",
    413: "Larger than 64 KiB.",
    421: "The Host is not this machine's.",
    422: "A field is wrong, with every fault.",
    429: "Too many wrong codes.",
    500: "A mistake of the service's own.",
    501: "Not in this release.",
    503: "The book or the tick did not answer in time.",
}


def told(
    answer: str,
    *,
    status: int = 200,
    many: bool = False,
    kind: str = JSON,
    body: type[bodies.Body] | None = None,
    numbers: Iterable[Whole] = (),
    problems: Iterable[int] = (),
) -> dict[str, Any]:
    """What a route adds to the document.

    `answer`: the table (of `answers`) of what it says with `status`, a list of them for `many`; "" for what is no
    table, of the media type `kind`. `body`: what it reads. `problems`: its own, beside what the guard answers.
    """
    schema: dict[str, Any] = {"$ref": _TEMPLATE.format(model=answer)} if answer else {"type": "string"}
    if many:
        schema = {"type": "array", "items": schema}
    responses: dict[str, Any] = {str(status): {"content": {kind: {"schema": schema}}}}
    responses |= {str(number): _reference(number) for number in problems}
    made: dict[str, Any] = {"responses": responses}
    if numbers:
        made |= described(*numbers)
    if body is not None:
        taken = {"$ref": _TEMPLATE.format(model=body.__name__)}
        made["requestBody"] = {"required": not body.may_be_empty, "content": {JSON: {"schema": taken}}}
    return made


def document_of(app: FastAPI) -> Callable[[], dict[str, Any]]:
    """Makes the document when it is first asked for."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            made = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
            for path, methods in made["paths"].items():
                for method, route in methods.items():
                    told_here = {code: _alone(answer) for code, answer in route["responses"].items()}
                    route["responses"] = told_here | _guarded(method.upper(), path)
            parts = made.setdefault("components", {})
            parts.setdefault("schemas", {}).update(_schemas())
            parts["responses"] = {f"Problem{number}": _problem(number) for number in _MEANS}
            parts["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
            app.openapi_schema = made
        return app.openapi_schema

    return document


def _alone(answer: dict[str, Any]) -> dict[str, Any]:
    """A reference stands alone; FastAPI puts a description beside it."""
    return {"$ref": answer["$ref"]} if "$ref" in answer else answer


def _guarded(method: str, path: str) -> dict[str, Any]:
    """What the guard, and the service around every route, may answer."""
    numbers = {421, 500}
    if not is_public(method, path):
        numbers |= {401}
    if method not in READS:
        numbers |= {400, 403, 408, 413}
    return {str(number): _reference(number) for number in sorted(numbers)}


def _reference(number: int) -> dict[str, Any]:
    return {"$ref": f"#/components/responses/Problem{number}"}


def _problem(number: int) -> dict[str, Any]:
    text = f"{HTTPStatus(number).phrase}. {_MEANS[number]}"
    return {"description": text, "content": {PROBLEM_TYPE: {"schema": {"$ref": _TEMPLATE.format(model="Problem")}}}}


def _schemas() -> dict[str, Any]:
    from . import answers, steel_answers  # only who asks for the document needs them

    modes: tuple[tuple[Mapping[str, type[BaseModel]], JsonSchemaMode], ...] = (
        ({table.__name__: table for table in TABLES}, "validation"),
        (answers.TABLES | steel_answers.TABLES, "serialization"),
    )
    schemas: dict[str, Any] = {}
    for tables, mode in modes:
        for name, table in tables.items():
            # Profiles are dumped by the names of their attributes.
            named = mode == "validation"
            schema = table.model_json_schema(by_alias=named, ref_template=_TEMPLATE, mode=mode)
            schemas |= schema.pop("$defs", {})
            schemas[name] = schema
    return schemas
