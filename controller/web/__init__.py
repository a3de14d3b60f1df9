"""The page, the HTTP interface and the live stream. `fastapi` is imported nowhere else."""

from .access import Access
from .app import create_app
from .stream import StreamHub

__all__ = ["Access", "StreamHub", "create_app"]
