"""What use does to a damper's wear parts, and how long they may last (shared/LIFE.md)."""
