"""The vehicle file: TOML in, frozen `Settings` out, every problem told in one go (shared/CONFIG.md).

Importing this package is light: pydantic is loaded when a file is read, so the process that samples
may hold `Settings` without it.
"""

from __future__ import annotations

from pathlib import Path

from dutylog.config.settings import (
    InfluxSettings,
    LogSettings,
    MqttSettings,
    Settings,
    SourceSettings,
    TripSettings,
    WebSettings,
)

__all__ = [
    "InfluxSettings",
    "LogSettings",
    "MqttSettings",
    "Settings",
    "SourceSettings",
    "TripSettings",
    "WebSettings",
    "example_text",
    "load",
    "slug_of",
]


def load(path: Path | str) -> Settings:
    """Read and check a vehicle file.

    Args:
        path: the TOML file; relative paths in it start at its own folder.
    Returns:
        Settings in SI units, with notes on what is odd but allowed.
    Raises:
        ConfigError: `problems` has one line for each thing that is wrong, with file, key and value.
    """
    from dutylog.config.loader import load_settings

    return load_settings(Path(path))


def example_text() -> str:
    """Return the commented example vehicle, a good file as it stands (also shared/example_vehicle.toml)."""
    from importlib.resources import files

    return files("dutylog.config").joinpath("example_vehicle.toml").read_text(encoding="utf-8")


def slug_of(name: str) -> str:
    """Return the id made from a name: lower case, `_` between words, at most 40 characters; may be empty."""
    from dutylog.config.limits import make_slug

    return make_slug(name)
