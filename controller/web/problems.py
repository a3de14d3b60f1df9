"""Errors as RFC 9457 problem documents, each with its reasons: a fixed code and a sentence that says what is right."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any, Final

from starlette.responses import Response

from controller.model import Reason

PROBLEM_TYPE: Final = "application/problem+json"


def encoded(content: Any) -> bytes:
    """JSON in ASCII: half a surrogate pair in somebody's text cannot break the answer. NaN raises ValueError."""
    return json.dumps(content, allow_nan=False, separators=(",", ":")).encode("ascii")


def reply(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """JSON values as a response."""
    return Response(encoded(content), status, headers, "application/json")


class Problem(Exception):  # noqa: N818 (the standard's own word)
    """A request that is not done, with all its reasons."""

    def __init__(self, status: int, reasons: Iterable[Reason], headers: Mapping[str, str] | None = None) -> None:
        self.status = status
        self.reasons = tuple(reasons)
        self.headers = headers
        super().__init__(" ".join(reason.text for reason in self.reasons))


def problem(status: int, code: str, text: str, headers: Mapping[str, str] | None = None) -> Problem:
    """A problem with one reason."""
    return Problem(status, (Reason(code, text),), headers)


def response(trouble: Problem) -> Response:
    """The problem document. Its type is about:blank (RFC 9457, 4.2.1), so the title is the status's own phrase."""
    content = {
        "type": "about:blank",
        "title": HTTPStatus(trouble.status).phrase,
        "status": trouble.status,
        "detail": str(trouble),
        "reasons": [{"code": reason.code, "text": reason.text} for reason in trouble.reasons],
    }
    return Response(encoded(content), trouble.status, trouble.headers, PROBLEM_TYPE)
