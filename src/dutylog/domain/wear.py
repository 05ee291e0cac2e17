"""Words that people and the ledger use for wear: parts, grades, dirt, marks, mixes of roads (shared/LIFE.md)."""

from __future__ import annotations

PARTS = ("shaft_seal", "oil", "wear_band", "joints", "piston_seal", "bladder", "charge", "hose", "structure")
"""Everything that may wear; which of them a damper has follows from its profile."""
AS_NEW, USABLE, WORN, FAILED = "as_new", "usable", "worn", "failed"
GRADES = (AS_NEW, USABLE, WORN, FAILED)
"""What a bench may find of a part: the last two mean that its life was over."""
DIRTS = ("dust", "sand", "mud", "water")
"""What a trip had on its shafts, by its owner's word."""
MARK_KINDS = ("nick", "pit", "scratch", "rust")
"""Damage to a shaft."""
MIXES = ("street", "mixed", "hard", "washboard", "desert")
"""What a distance nobody measured was driven on."""
BEFORE_INSTALL, UNLOGGED, ELSEWHERE = "before_install", "unlogged", "elsewhere"
USE_KINDS = (BEFORE_INSTALL, UNLOGGED, ELSEWHERE)
"""Why nobody measured it."""
