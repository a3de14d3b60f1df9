"""The record: one SQLite file with everything that happened in the shop.

`Records` writes (one thread, nobody waits for it), `RunRecorder` turns ticks into rows, `Book` reads,
`Devices` keeps the paired phones. `sqlite3` is imported nowhere else.
"""

from .devices import Device, Devices
from .export import run_json, trace_csv
from .outbox import Outbox
from .readers import Book, database_path, default_data_directory
from .recorder import RunRecorder
from .records import Records
from .rescue import in_words, readable, restore
from .rows import RunStart
from .schema import RecordsError
from .shop import ShopWriter
from .tape import TapeEntry, TapeKind

__all__ = [
    "Book",
    "Device",
    "Devices",
    "Outbox",
    "Records",
    "RecordsError",
    "RunRecorder",
    "RunStart",
    "ShopWriter",
    "TapeEntry",
    "TapeKind",
    "database_path",
    "default_data_directory",
    "in_words",
    "readable",
    "restore",
    "run_json",
    "trace_csv",
]
