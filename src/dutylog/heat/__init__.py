"""Heat of a damper: oil temperature, what it can still take, and whether it still damps."""
