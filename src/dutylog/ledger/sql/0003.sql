-- Version 3: what waits to be published has a file of its own, so that it neither wears nor endangers this one.
-- seal_crc32: over the small tables, so that a flipped bit in a total is found. Null until the first change.

DROP TABLE outbox;
DELETE FROM meta WHERE key = 'outbox_dropped_count';
ALTER TABLE cursor ADD COLUMN seal_crc32 INTEGER;
