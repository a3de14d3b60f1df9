"""A stand-in for the service: scripted snapshots by state over http, for tests of the page and for looking at it.

`python -m tests.page.fake STATE [PORT]` serves one state until it is interrupted. The status is made by the
service's own `controller.web.status`, so that the page is tested on what it will get.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

PAGE: Final = Path(__file__).parents[2] / "controller" / "web" / "page"
TYPES: Final = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}
