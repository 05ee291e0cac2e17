-- Version 5: what people had to be told. Kept when over, so that a trip's page can say it; the oldest ones over go.
-- raised, cleared: epoch and its monotonic time, so that wall time follows from the table epoch, later perhaps a better
-- one. trip: the trip open when it was raised, by its key, because the trip's own row may come later.
-- acknowledged: a person gave the name; the stamp is that of whoever wrote it.

CREATE TABLE alert (
    alert INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    position TEXT,
    subject TEXT,
    level TEXT NOT NULL CHECK (level IN ('advice', 'act_now')),
    text TEXT NOT NULL,
    remedy TEXT NOT NULL,
    raised_epoch INTEGER NOT NULL,
    raised_ns INTEGER NOT NULL,
    trip_epoch INTEGER,
    trip_start_tile INTEGER,
    cleared_epoch INTEGER,
    cleared_ns INTEGER,
    acknowledged_by TEXT,
    acknowledged_boot_id TEXT,
    acknowledged_mono_ns INTEGER,
    acknowledged_utc_ns INTEGER,
    acknowledged_utc_trusted INTEGER CHECK (acknowledged_utc_trusted IN (0, 1)),
    CHECK ((trip_epoch IS NULL) = (trip_start_tile IS NULL)),
    CHECK ((cleared_epoch IS NULL) = (cleared_ns IS NULL)),
    CHECK ((acknowledged_by IS NULL) = (acknowledged_utc_ns IS NULL))
) STRICT;
CREATE INDEX alert_open ON alert (alert) WHERE cleared_epoch IS NULL;
CREATE INDEX alert_of_trip ON alert (trip_epoch, trip_start_tile) WHERE trip_epoch IS NOT NULL;
