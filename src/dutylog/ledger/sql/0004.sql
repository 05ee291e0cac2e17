-- Version 4: what is known of the heat of a damper in a place: temperatures, conductances learned, damping output.
-- Written with a checkpoint, though not with each. What was learned of a unit in a place stays when it leaves.
-- sequence: frame of the raw log it covers. state: zlib of JSON, see shared/HEAT.md.

CREATE TABLE heat (
    unit_key INTEGER NOT NULL REFERENCES unit,
    position TEXT NOT NULL,
    sequence INTEGER NOT NULL CHECK (sequence >= 0),
    state BLOB NOT NULL,
    UNIQUE (unit_key, position)
) STRICT;
