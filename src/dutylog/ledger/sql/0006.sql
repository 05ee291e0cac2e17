-- Version 6: time beyond the cavitation margin and the energy in it (shared/CONVENTIONS.md). Rows from before have none:
-- nobody could have said then that a damper has no base valve.

ALTER TABLE hot ADD COLUMN cavitation_us INTEGER NOT NULL DEFAULT 0 CHECK (cavitation_us >= 0);
ALTER TABLE hot ADD COLUMN cavitation_energy_uj INTEGER NOT NULL DEFAULT 0 CHECK (cavitation_energy_uj >= 0);
ALTER TABLE minute ADD COLUMN cavitation_us INTEGER NOT NULL DEFAULT 0;
ALTER TABLE minute ADD COLUMN cavitation_energy_uj INTEGER NOT NULL DEFAULT 0;
ALTER TABLE trip_damper ADD COLUMN cavitation_us INTEGER NOT NULL DEFAULT 0;
ALTER TABLE trip_damper ADD COLUMN cavitation_energy_uj INTEGER NOT NULL DEFAULT 0;
