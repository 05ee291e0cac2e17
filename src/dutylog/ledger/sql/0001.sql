-- Version 1. Tables, columns and their meaning: shared/LEDGER.md. A file in this folder never changes once released.
-- A key of whole numbers stands for the damper's UUID in every table that is written often: rows must share pages of 512 bytes.

PRAGMA application_id = 0x44555459;

CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;

CREATE TABLE unit (
    unit_key INTEGER PRIMARY KEY,
    unit_id TEXT NOT NULL UNIQUE,
    serial TEXT UNIQUE,
    tag TEXT UNIQUE,
    profile TEXT NOT NULL,
    added_utc_ns INTEGER NOT NULL,
    note TEXT,
    CHECK ((serial IS NULL) <> (tag IS NULL))
) STRICT;

CREATE TABLE install (
    install_key INTEGER PRIMARY KEY,
    unit_key INTEGER NOT NULL REFERENCES unit,
    vehicle_id TEXT NOT NULL,
    position TEXT NOT NULL,
    wheel TEXT NOT NULL,
    from_sequence INTEGER NOT NULL,
    from_utc_ns INTEGER NOT NULL,
    from_utc_trusted INTEGER NOT NULL CHECK (from_utc_trusted IN (0, 1)),
    to_sequence INTEGER,
    to_utc_ns INTEGER,
    to_utc_trusted INTEGER CHECK (to_utc_trusted IN (0, 1)),
    CHECK ((to_sequence IS NULL) = (to_utc_ns IS NULL) AND (to_sequence IS NULL) = (to_utc_trusted IS NULL)),
    CHECK (to_sequence IS NULL OR to_sequence >= from_sequence)
) STRICT;
CREATE UNIQUE INDEX install_one_place ON install (unit_key) WHERE to_sequence IS NULL;
CREATE UNIQUE INDEX install_one_unit ON install (vehicle_id, position) WHERE to_sequence IS NULL;
CREATE INDEX install_of_unit ON install (unit_key);

CREATE TABLE hot (
    unit_key INTEGER PRIMARY KEY REFERENCES unit,
    revision INTEGER NOT NULL CHECK (revision >= 1),
    sequence INTEGER NOT NULL CHECK (sequence >= 0),
    energy_compression_uj INTEGER NOT NULL CHECK (energy_compression_uj >= 0),
    energy_rebound_uj INTEGER NOT NULL CHECK (energy_rebound_uj >= 0),
    strokes_count INTEGER NOT NULL CHECK (strokes_count >= 0),
    compression_strokes_count INTEGER NOT NULL CHECK (compression_strokes_count >= 0),
    shaft_travel_um INTEGER NOT NULL CHECK (shaft_travel_um >= 0),
    stroke_travel_um INTEGER NOT NULL CHECK (stroke_travel_um >= 0),
    bottom_outs_count INTEGER NOT NULL CHECK (bottom_outs_count >= 0),
    measured_us INTEGER NOT NULL CHECK (measured_us >= 0),
    unmeasured_us INTEGER NOT NULL CHECK (unmeasured_us >= 0),
    moving_us INTEGER NOT NULL CHECK (moving_us >= 0),
    moving_measured_us INTEGER NOT NULL CHECK (moving_measured_us >= 0),
    peak_compression_umps INTEGER NOT NULL CHECK (peak_compression_umps >= 0),
    peak_rebound_umps INTEGER NOT NULL CHECK (peak_rebound_umps >= 0),
    peak_body_mc INTEGER
) STRICT;

CREATE TABLE cold (
    unit_key INTEGER PRIMARY KEY REFERENCES unit,
    revision INTEGER NOT NULL CHECK (revision >= 1),
    sequence INTEGER NOT NULL CHECK (sequence >= 0),
    state BLOB NOT NULL
) STRICT;

CREATE TABLE cursor (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    hot_sequence INTEGER NOT NULL CHECK (hot_sequence >= cold_sequence),
    cold_sequence INTEGER NOT NULL CHECK (cold_sequence >= 0),
    engine TEXT NOT NULL,
    boot_id TEXT NOT NULL,
    updated_utc_ns INTEGER NOT NULL
) STRICT;
INSERT INTO cursor VALUES (1, 0, 0, '', '', 0);

-- Apart from the cursor: it may be large, and the cursor is written every second.
CREATE TABLE checkpoint (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    state BLOB NOT NULL
) STRICT;

CREATE TABLE epoch (
    epoch INTEGER PRIMARY KEY,
    source_kind TEXT NOT NULL,
    source_text TEXT NOT NULL,
    boot_id TEXT NOT NULL,
    mono_ns INTEGER NOT NULL,
    utc_ns INTEGER NOT NULL,
    utc_trusted INTEGER NOT NULL CHECK (utc_trusted IN (0, 1))
) STRICT;

-- Not WITHOUT ROWID: such a row has room for 102 bytes in a page of 512, the rest goes to a page of its own;
-- measured 567 bytes a row against 190 in this form.
CREATE TABLE minute (
    minute_key INTEGER PRIMARY KEY,
    unit_key INTEGER NOT NULL REFERENCES unit,
    epoch INTEGER NOT NULL,
    minute INTEGER NOT NULL,
    position TEXT NOT NULL,
    start_ns INTEGER NOT NULL,
    duration_us INTEGER NOT NULL CHECK (duration_us >= 0),
    utc_ns INTEGER,
    energy_compression_uj INTEGER NOT NULL,
    energy_rebound_uj INTEGER NOT NULL,
    strokes_count INTEGER NOT NULL,
    compression_strokes_count INTEGER NOT NULL,
    shaft_travel_um INTEGER NOT NULL,
    stroke_travel_um INTEGER NOT NULL,
    bottom_outs_count INTEGER NOT NULL,
    measured_us INTEGER NOT NULL,
    unmeasured_us INTEGER NOT NULL,
    moving_us INTEGER NOT NULL,
    moving_measured_us INTEGER NOT NULL,
    peak_compression_umps INTEGER NOT NULL,
    peak_rebound_umps INTEGER NOT NULL,
    peak_body_mc INTEGER,
    body_mean_c REAL,
    ambient_mean_c REAL,
    speed_mean_mps REAL,
    UNIQUE (unit_key, epoch, minute)
) STRICT;

CREATE TABLE trip (
    trip INTEGER PRIMARY KEY,
    epoch INTEGER NOT NULL,
    start_tile INTEGER NOT NULL,
    start_ns INTEGER NOT NULL,
    end_ns INTEGER NOT NULL,
    is_open INTEGER NOT NULL CHECK (is_open IN (0, 1)),
    moving_us INTEGER NOT NULL,
    distance_m REAL,
    name TEXT,
    UNIQUE (epoch, start_tile)
) STRICT;

CREATE TABLE trip_damper (
    trip_damper_key INTEGER PRIMARY KEY,
    trip INTEGER NOT NULL REFERENCES trip,
    unit_key INTEGER NOT NULL REFERENCES unit,
    position TEXT NOT NULL,
    energy_compression_uj INTEGER NOT NULL,
    energy_rebound_uj INTEGER NOT NULL,
    strokes_count INTEGER NOT NULL,
    compression_strokes_count INTEGER NOT NULL,
    shaft_travel_um INTEGER NOT NULL,
    stroke_travel_um INTEGER NOT NULL,
    bottom_outs_count INTEGER NOT NULL,
    measured_us INTEGER NOT NULL,
    unmeasured_us INTEGER NOT NULL,
    moving_us INTEGER NOT NULL,
    moving_measured_us INTEGER NOT NULL,
    peak_compression_umps INTEGER NOT NULL,
    peak_rebound_umps INTEGER NOT NULL,
    peak_body_mc INTEGER,
    UNIQUE (trip, unit_key, position)
) STRICT;

CREATE TABLE entry (
    row INTEGER PRIMARY KEY,
    revision INTEGER NOT NULL,
    sequence INTEGER,
    utc_ns INTEGER NOT NULL,
    utc_trusted INTEGER NOT NULL CHECK (utc_trusted IN (0, 1)),
    mono_ns INTEGER NOT NULL,
    boot_id TEXT NOT NULL,
    kind TEXT NOT NULL,
    unit_id TEXT REFERENCES unit (unit_id),
    data TEXT NOT NULL,
    prev_hash BLOB NOT NULL CHECK (length(prev_hash) = 32),
    hash BLOB NOT NULL CHECK (length(hash) = 32)
) STRICT;
CREATE INDEX entry_of_unit ON entry (unit_id) WHERE unit_id IS NOT NULL;
