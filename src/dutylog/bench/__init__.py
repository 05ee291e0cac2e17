"""The shop's side: duty cards, intake, inspection, triage, work order, service record (shared/BENCH.md)."""
