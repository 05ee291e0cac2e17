"""The bench's memory: an append-only chain of entries, and tables made of it (SQLite or PostgreSQL)."""
