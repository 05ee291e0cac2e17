"""The pages of the bench (shared/BENCH.md)."""
