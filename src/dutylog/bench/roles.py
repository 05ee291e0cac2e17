"""Who may do what at a bench: three roles, each may do what those before it may (shared/BENCH_ACCESS.md)."""

from __future__ import annotations

from collections.abc import Mapping

VIEWER, TECHNICIAN, MANAGER = "viewer", "technician", "manager"
ROLES = (VIEWER, TECHNICIAN, MANAGER)
ROLE_WORDS: Mapping[str, str] = {
    VIEWER: "looks, changes nothing",
    TECHNICIAN: "takes dampers in, inspects, builds, signs",
    MANAGER: "also accounts, keys, prices, rules, backups",
}


def reaches(role: str, least: str) -> bool:
    """Return whether a role may do what needs at least another; an unknown role may nothing."""
    return role in ROLES and ROLES.index(role) >= ROLES.index(least)
