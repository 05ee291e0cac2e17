-- Version 2: what waits to be published. Numbers are never used twice, so acknowledging twice does no harm.

CREATE TABLE outbox (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    target TEXT NOT NULL,
    payload BLOB NOT NULL,
    created_utc_ns INTEGER NOT NULL
) STRICT;
