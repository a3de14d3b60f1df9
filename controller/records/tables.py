"""The tables of the record, and the migrations that bring a file there.

Times named `at` or `*_at` are wall time in seconds since 1970 (UTC); times named `*mono_s` are the monotonic
clock of the process that wrote the row, because a small machine without a battery clock may start in 1970
and jump. Order is the order of `id`, never of wall time.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class Migration(NamedTuple):
    """A change of the file: never altered once it is out, for files exist that went through it."""

    number: int
    name: str
    statements: tuple[str, ...]


_RUNS: Final = (
    """CREATE TABLE runs (
        id INTEGER PRIMARY KEY,
        program_name TEXT NOT NULL,
        program TEXT NOT NULL,
        load TEXT NOT NULL,
        who TEXT NOT NULL,
        started_at REAL NOT NULL,
        started_mono_s REAL NOT NULL,
        last_seen_at REAL NOT NULL,
        ended_at REAL,
        ended_mono_s REAL,
        outcome TEXT CHECK (outcome IN ('ended', 'stopped', 'tripped', 'cut off')),
        ending TEXT,
        tempers TEXT NOT NULL DEFAULT '[]',
        settings_hash TEXT NOT NULL DEFAULT '',
        profiles_hash TEXT NOT NULL DEFAULT '',
        core_state TEXT NOT NULL DEFAULT '{}'
    ) STRICT""",
    """CREATE TABLE interruptions (
        id INTEGER PRIMARY KEY,
        run_id INTEGER NOT NULL REFERENCES runs(id),
        cut_at REAL NOT NULL,
        resumed_at REAL NOT NULL,
        resumed_mono_s REAL NOT NULL,
        outcome TEXT NOT NULL,
        ending TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE samples (
        id INTEGER PRIMARY KEY,
        run_id INTEGER REFERENCES runs(id),
        at REAL NOT NULL,
        mono_s REAL NOT NULL,
        phase TEXT,
        temper_index INTEGER,
        oven_c REAL,
        oven_limit_c REAL,
        part_c REAL,
        part_error_c REAL,
        part_measured INTEGER,
        setpoint_c REAL,
        air_target_c REAL,
        asked_duty REAL,
        applied_duty REAL,
        soak_done_s REAL,
        equivalent_s REAL,
        tank_c REAL,
        tank_limit_c REAL,
        tank_setpoint_c REAL,
        tank_asked_duty REAL,
        tank_applied_duty REAL
    ) STRICT""",
    "CREATE INDEX samples_by_run ON samples(run_id)",
    """CREATE TABLE tape (
        run_id INTEGER NOT NULL REFERENCES runs(id),
        block INTEGER NOT NULL,
        entries BLOB NOT NULL,
        PRIMARY KEY (run_id, block)
    ) STRICT""",
)

_DIARY: Final = (
    """CREATE TABLE events (
        id INTEGER PRIMARY KEY,
        run_id INTEGER REFERENCES runs(id),
        at REAL NOT NULL,
        mono_s REAL NOT NULL,
        kind TEXT NOT NULL,
        text TEXT NOT NULL,
        data TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX events_by_run ON events(run_id)",
    """CREATE TABLE requests (
        id INTEGER PRIMARY KEY,
        number INTEGER NOT NULL,
        at REAL NOT NULL,
        mono_s REAL NOT NULL,
        who TEXT NOT NULL,
        wish TEXT NOT NULL,
        details TEXT NOT NULL,
        accepted INTEGER NOT NULL,
        reasons TEXT NOT NULL,
        run_id INTEGER REFERENCES runs(id),
        phase TEXT
    ) STRICT""",
    "CREATE INDEX requests_by_run ON requests(run_id)",
    """CREATE TABLE gaps (
        id INTEGER PRIMARY KEY,
        from_at REAL NOT NULL,
        until_at REAL NOT NULL,
        lost INTEGER NOT NULL,
        text TEXT NOT NULL
    ) STRICT""",
    # Who did what, and what happened, is only ever added to.
    *(
        f"""CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table}
        BEGIN SELECT RAISE(ABORT, '{table} are only added to'); END"""
        for table in ("events", "requests")
        for verb in ("UPDATE", "DELETE")
    ),
    """CREATE TABLE core_state (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        at REAL NOT NULL,
        state TEXT NOT NULL
    ) STRICT""",
)

_SHOP: Final = (
    """CREATE TABLE calibrations (
        id INTEGER PRIMARY KEY,
        at REAL NOT NULL,
        who TEXT NOT NULL,
        sensor TEXT NOT NULL,
        reference TEXT NOT NULL,
        points TEXT NOT NULL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    """CREATE TABLE tunings (
        id INTEGER PRIMARY KEY,
        at REAL NOT NULL,
        who TEXT NOT NULL,
        zone TEXT NOT NULL CHECK (zone IN ('oven', 'tank', 'part')),
        parameters TEXT NOT NULL,
        fit_error_c REAL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    """CREATE TABLE stock (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        grade TEXT,
        composition TEXT,
        section_mm REAL,
        created_at REAL NOT NULL,
        used_up_at REAL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    """CREATE TABLE pieces (
        id INTEGER PRIMARY KEY,
        stock_id INTEGER REFERENCES stock(id),
        name TEXT NOT NULL,
        mass_kg REAL,
        section_mm REAL,
        plan TEXT NOT NULL DEFAULT '{}',
        tag TEXT,
        created_at REAL NOT NULL,
        finished_at REAL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    "CREATE INDEX pieces_by_stock ON pieces(stock_id)",
    """CREATE TABLE quenches (
        id INTEGER PRIMARY KEY,
        piece_id INTEGER REFERENCES pieces(id),
        at REAL NOT NULL,
        mono_s REAL,
        declared INTEGER NOT NULL,
        mass_kg REAL,
        part_c REAL,
        oil TEXT,
        before_c REAL,
        after_c REAL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    "CREATE INDEX quenches_by_piece ON quenches(piece_id)",
    """CREATE TABLE piece_steps (
        id INTEGER PRIMARY KEY,
        piece_id INTEGER NOT NULL REFERENCES pieces(id),
        at REAL NOT NULL,
        step TEXT NOT NULL,
        run_id INTEGER REFERENCES runs(id),
        quench_id INTEGER REFERENCES quenches(id),
        who TEXT NOT NULL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    "CREATE INDEX piece_steps_by_piece ON piece_steps(piece_id)",
    """CREATE TABLE ladder (
        id INTEGER PRIMARY KEY,
        stock_id INTEGER NOT NULL REFERENCES stock(id),
        at REAL NOT NULL,
        who TEXT NOT NULL,
        medium TEXT NOT NULL CHECK (medium IN ('still air', 'oil', 'water', 'brine')),
        section_mm REAL,
        hardened_from_c REAL,
        file_skates INTEGER NOT NULL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    "CREATE INDEX ladder_by_stock ON ladder(stock_id)",
    """CREATE TABLE file_tests (
        id INTEGER PRIMARY KEY,
        stock_id INTEGER REFERENCES stock(id),
        piece_id INTEGER REFERENCES pieces(id),
        run_id INTEGER REFERENCES runs(id),
        at REAL NOT NULL,
        who TEXT NOT NULL,
        skates_hrc REAL,
        bites_hrc REAL,
        temper_c REAL,
        temper_s REAL,
        note TEXT NOT NULL DEFAULT ''
    ) STRICT""",
    "CREATE INDEX file_tests_by_stock ON file_tests(stock_id)",
    "CREATE INDEX file_tests_by_piece ON file_tests(piece_id)",
)

_PEOPLE: Final = (
    """CREATE TABLE devices (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        label TEXT NOT NULL,
        role TEXT NOT NULL CHECK (role IN ('operator', 'viewer')),
        token_sha256 TEXT NOT NULL UNIQUE,
        created_at REAL NOT NULL,
        last_seen_at REAL,
        revoked_at REAL
    ) STRICT""",
    """CREATE TABLE alerts (
        id INTEGER PRIMARY KEY,
        event_id INTEGER NOT NULL,
        channel TEXT NOT NULL,
        created_at REAL NOT NULL,
        due_at REAL NOT NULL,
        attempts INTEGER NOT NULL DEFAULT 0,
        last_error TEXT,
        delivered_at REAL,
        seen_at REAL,
        seen_by TEXT,
        UNIQUE (event_id, channel)
    ) STRICT""",
    "CREATE INDEX alerts_due ON alerts(due_at) WHERE delivered_at IS NULL",
)

_OUTBOX: Final = ("ALTER TABLE alerts ADD COLUMN told TEXT NOT NULL DEFAULT ''",)

_FILES: Final = (
    "ALTER TABLE stock ADD COLUMN origin TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE ladder ADD COLUMN flat INTEGER NOT NULL DEFAULT 0",
    *(f"ALTER TABLE {table} ADD COLUMN one_file TEXT" for table in ("ladder", "file_tests")),
    *(f"ALTER TABLE ladder ADD COLUMN {name} REAL" for name in ("skates_hrc", "bites_hrc")),
    "ALTER TABLE file_tests ADD COLUMN by_hand INTEGER NOT NULL DEFAULT 0",
)

_STANDING: Final = (
    """CREATE TABLE standing (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        book TEXT NOT NULL,
        taken INTEGER NOT NULL DEFAULT 0
    ) STRICT""",
    "INSERT INTO standing (id, book) VALUES (1, lower(hex(randomblob(16))))",
)

MIGRATIONS: Final = (
    Migration(1, "the first book", _RUNS + _DIARY + _SHOP + _PEOPLE),
    Migration(2, "what alerts say", _OUTBOX),
    Migration(3, "origins, graded files and one file", _FILES),
    Migration(4, "which book it is", _STANDING),
)
