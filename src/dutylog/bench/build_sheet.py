"""The build sheet: what is put down while a damper is built, what of it a build needs, and who signed it.

Fields follow from what is made new and from the damper's construction. Values are SI or mm; a value is checked when it
is put down, the sheet as a whole when it is signed. The maker's manual gives the figures; nothing here replaces it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dutylog.bench.build_fields import (
    AFTER,
    AFTER_CURVE,
    BY_KEY,
    DRY,
    FIELDS,
    GAS,
    LEAK_AFTER,
    LEAK_BEFORE,
    OIL_KIND,
    OIL_VOLUME,
    PISTON_DEPTH,
    PROFILE_NAME,
    REPLACED,
    REVALVED,
    SHIMS,
    TORQUES,
    SheetField,
    field_for,
)
from dutylog.bench.build_refusals import find_notices, refuse_build
from dutylog.bench.build_values import (
    check_flag,
    check_gas,
    check_leak,
    check_number_within,
    check_parts_new,
    check_profile_name,
    check_shims,
    check_text_line,
    check_torques,
)
from dutylog.bench.findings import NOT_LOOKED
from dutylog.bench.inspection_items import ITEM_OF
from dutylog.bench.items_inside import INSIDE
from dutylog.bench.items_work import ITEM_WORK
from dutylog.bench.job_state import BUILDER, CHECKER, JobState, Told
from dutylog.bench.leak_check import LeakVerdict, judge_leak
from dutylog.bench.names import person_key
from dutylog.bench.part_needs import TWIN_TUBE, is_opened
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError

OPENING_NEEDS = frozenset(need for work in ITEM_WORK.values() if work.opens for need in work.needs)
"""Pieces that are no wear part and can't be put in without opening the damper."""
_CHECKS: Mapping[str, Callable[[object, str], Any]] = {
    REPLACED: check_parts_new,
    REVALVED: check_flag,
    OIL_KIND: check_text_line,
    OIL_VOLUME: check_number_within(5.0, 6000.0, "ml"),
    PISTON_DEPTH: check_number_within(1.0, 600.0, "mm"),
    SHIMS: check_shims,
    TORQUES: check_torques,
    GAS: check_gas,
    LEAK_BEFORE: check_leak,
    LEAK_AFTER: check_leak,
    DRY: check_flag,
    PROFILE_NAME: check_profile_name,
}


@dataclass(frozen=True, slots=True)
class Entered:
    """What counts of a field. value: None where nobody has put it down. by, utc: of the newest word."""

    field: SheetField
    is_needed: bool
    value: Any
    by: str | None = None
    utc: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """A build sheet as it stands.

    fields: those that apply, in their order. replaced: parts made new. leak: None while a reading lacks.
    refusals: what makes it unfit to be signed, one line each; notices: what is to be known all the same.
    builder, checker: newest signatures, void or not.
    """

    fields: tuple[Entered, ...]
    replaced: tuple[str, ...]
    is_revalved: bool
    leak: LeakVerdict | None
    refusals: tuple[str, ...]
    builder: Told | None
    checker: Told | None
    is_builder_current: bool
    is_checker_current: bool
    notices: tuple[str, ...] = ()

    @property
    def missing_names(self) -> tuple[str, ...]:
        """Return the names of fields that are needed and not put down."""
        return tuple(one.field.name for one in self.fields if one.is_needed and one.value is None)

    @property
    def is_complete(self) -> bool:
        """Return whether it may be signed."""
        return not self.missing_names and not self.refusals

    def is_signed(self, signed_as: str) -> bool:
        """Return whether that signature stands for the sheet as it is now."""
        return self.is_builder_current if signed_as == BUILDER else self.is_checker_current

    def value(self, key: str) -> Any:
        """Return what counts of a field, None where it doesn't apply or nobody put it down."""
        return next((one.value for one in self.fields if one.field.key == key), None)


def field_of(key: str) -> SheetField:
    """Return a field by its key; InputError when there is none."""
    if key not in BY_KEY:
        raise InputError(f"build sheet: no field {key!r:.40}; there are {', '.join(BY_KEY)}")
    return BY_KEY[key]


def check_value(key: str, value: object) -> Any:
    """Return a value put in order for an entry `build`; None takes it away.

    Raises:
        InputError: no such field, or a value that can't be meant; the line names the field and what is expected.
    """
    field = field_of(key)
    if key == AFTER_CURVE:
        raise InputError(f"build sheet: {field.name} comes as a file of the force bench")
    return None if value is None else _CHECKS[key](value, f"build sheet: {field.name}")


def make_sheet(
    state: JobState,
    construction: str,
    reservoir: str,
    joints: str,
    profile: Profile | None = None,
) -> Sheet:
    """Return the build sheet of a job: fields that apply, what counts of each, and what is in the way of a signature.

    Args:
        state: the folded job. construction, reservoir, joints: of the damper. profile: None where nobody gave one.
    """
    values = {key: one.data.get("value") for key, one in state.build.items() if key in BY_KEY}
    after = state.curves.get(AFTER)
    if after is not None:
        measured = {name: list(after.data[name]) for name in ("speeds_mps", "forces_n")}
        values[AFTER_CURVE] = {**measured, "body_c": after.data.get("body_c")}
    replaced = tuple(values.get(REPLACED) or ())
    is_revalved = values.get(REVALVED) is True
    entered = []
    for key, is_needed in needed_fields(replaced, is_revalved, construction, joints, is_known_open(state)):
        told = after if key == AFTER_CURVE else state.build.get(key)
        note = None if told is None or key == AFTER_CURVE else told.data.get("note")
        who, when = (None, None) if told is None else (told.by, told.utc)
        entered.append(Entered(field_for(key, construction), is_needed, values.get(key), who, when, note))
    shown = {one.field.key: one.value for one in entered}
    leak = None
    if shown.get(LEAK_BEFORE) and shown.get(LEAK_AFTER):
        travel_m = 0.0 if not shown.get(GAS) else shown[GAS]["travel_mm"] * 1e-3
        leak = judge_leak(shown[LEAK_BEFORE], shown[LEAK_AFTER], profile, travel_m)
    builder, checker = state.signatures.get(BUILDER), state.signatures.get(CHECKER)
    is_built = builder is not None and _is_current(builder, state)
    is_checked = (
        is_built
        and builder is not None
        and checker is not None
        and _is_current(checker, state)
        and checker.entry > builder.entry
        and not _is_same(checker.by, builder.by)
    )
    return Sheet(
        tuple(entered),
        replaced,
        is_revalved,
        leak,
        refuse_build(shown, state, leak, profile, reservoir, construction),
        builder,
        checker,
        is_built,
        is_checked,
        find_notices(state, is_revalved),
    )


def is_known_open(state: JobState) -> bool:
    """Return whether it was opened whatever was made new: somebody looked inside, or a piece on the order needs it."""
    is_seen = any(
        one.newest.grade != NOT_LOOKED and item in ITEM_OF and ITEM_OF[item].step == INSIDE
        for item, one in state.findings.items()
    )
    return is_seen or any(one.data.get("need") in OPENING_NEEDS for one in state.open_lines.values())


def needed_fields(
    replaced: Sequence[str], is_revalved: bool, construction: str, joints: str, is_open: bool = False
) -> tuple[tuple[str, bool], ...]:
    """Return (field, whether it is needed) of a build, in the order of FIELDS; the others don't apply.

    Args:
        is_open: somebody looked inside, so it was opened whatever was made new.
    Source: common practice, no published source: whoever opens a damper writes down oil, piston depth, torques and gas.
    """
    opened = is_open or is_opened(replaced) or is_revalved
    charged = construction != TWIN_TUBE
    filled = charged and (opened or "charge" in replaced)
    rules: Mapping[str, tuple[bool, bool]] = {
        # field: (applies, needed)
        REPLACED: (True, True),
        REVALVED: (True, True),
        OIL_KIND: (opened, True),
        OIL_VOLUME: (opened, True),
        PISTON_DEPTH: (opened and construction == "floating_piston", True),
        SHIMS: (opened, is_revalved),
        TORQUES: (opened or "joints" in replaced, opened or joints == "bushing"),
        GAS: (filled, True),
        LEAK_BEFORE: (filled, True),
        LEAK_AFTER: (filled, True),
        DRY: (opened, True),
        AFTER_CURVE: (True, is_revalved),
        PROFILE_NAME: (is_revalved, True),
    }
    return tuple((field.key, rules[field.key][1]) for field in FIELDS if rules[field.key][0])


def check_signature(sheet: Sheet, signed_as: str, who: str) -> dict[str, Any]:
    """Return the data of an entry `signed`.

    Raises:
        InputError: a field lacks, the leak check failed, or the checker is the builder.
    """
    if signed_as not in (BUILDER, CHECKER):
        raise InputError(f"signed as {signed_as!r:.40}, expected {BUILDER} or {CHECKER}")
    if sheet.missing_names:
        raise InputError(f"build sheet: {', '.join(sheet.missing_names)} not put down; it can't be signed")
    if sheet.refusals:
        raise InputError(f"build sheet: {sheet.refusals[0]}; it can't be signed")
    if signed_as == CHECKER:
        if sheet.builder is None or not sheet.is_builder_current:
            raise InputError("build sheet: whoever built it signs first; the sheet has changed since, or nobody has")
        if _is_same(sheet.builder.by, who):
            raise InputError(f"build sheet: {who} built it; the second signature is another person's")
    return {"as": signed_as}


def _is_current(signature: Told, state: JobState) -> bool:
    """Return whether nothing a record holds was told after a signature, nor the work taken up again."""
    told = [one.entry for one in state.build_told]
    told += [one.entry for one in state.curves.values()]
    told += [one.newest.entry for one in state.findings.values()]
    told += [one.entry for one in state.stages if one.data.get("stage") == "in_work"]
    return all(entry < signature.entry for entry in told)


def _is_same(one: str, other: str) -> bool:
    return person_key(one) == person_key(other)
