"""What a damper's visit has come to: its entries in the bench's chain folded into what its pages show.

Nothing is judged here: which steps may follow each other is `order`'s, which fields a build needs `build_sheet`'s.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from dutylog.bench.findings import Finding

BUILDER, CHECKER = "builder", "checker"
"""Who signs a build: the one who built, and a second person who checked."""


class JobEntry(Protocol):
    """An entry of a job, as the store gives it (bench.entry_kinds). row: rises with time. utc: ISO 8601."""

    @property
    def row(self) -> int:
        """Return its place in the chain."""

    @property
    def utc(self) -> str:
        """Return when it was written."""

    @property
    def who(self) -> str:
        """Return who was signed in."""

    @property
    def kind(self) -> str:
        """Return one of entry_kinds.KINDS."""

    @property
    def data(self) -> Mapping[str, Any]:
        """Return the fields of its kind."""


@dataclass(frozen=True, slots=True)
class Told:
    """Anything somebody put down. data: the fields of its kind of entry."""

    entry: int
    utc: str
    by: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Looked:
    """A point that was looked at: the newest word counts. earlier: all before it, the newest first."""

    newest: Finding
    earlier: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class JobState:
    """A job as it stands; mappings keep the order in which their keys were first told.

    findings: by item. curves: newest by which. agreements: all, the newest last; so approvals, stages and records.
    lines: newest by line_id, those taken out among them. build: newest by field, build_told: all.
    signatures: newest by what was signed as. row: newest entry, 0 before the first.
    """

    opened: Told | None = None
    findings: Mapping[str, Looked] = field(default_factory=dict)
    curves: Mapping[str, Told] = field(default_factory=dict)
    agreements: tuple[Told, ...] = ()
    lines: Mapping[str, Told] = field(default_factory=dict)
    approvals: tuple[Told, ...] = ()
    stages: tuple[Told, ...] = ()
    build: Mapping[str, Told] = field(default_factory=dict)
    build_told: tuple[Told, ...] = ()
    signatures: Mapping[str, Told] = field(default_factory=dict)
    records: tuple[Told, ...] = ()
    row: int = 0

    @property
    def newest_findings(self) -> tuple[Finding, ...]:
        """Return what counts of every point."""
        return tuple(one.newest for one in self.findings.values())

    @property
    def agreed(self) -> Told | None:
        """Return the newest word on the triage, None before the first."""
        return self.agreements[-1] if self.agreements else None

    @property
    def is_agreed_old(self) -> bool:
        """Return whether a point was answered or a curve put after somebody agreed to the triage."""
        return self.agreed is not None and self.looked_row > self.agreed.entry

    @property
    def looked_row(self) -> int:
        """Return the newest entry that a triage rests on, 0 before the first."""
        looked = [one.newest.entry for one in self.findings.values()] + [one.entry for one in self.curves.values()]
        return max(looked, default=0)

    @property
    def open_lines(self) -> Mapping[str, Told]:
        """Return the lines of the order that were not taken out."""
        return {line: told for line, told in self.lines.items() if not told.data.get("is_gone")}

    @property
    def stage(self) -> str | None:
        """Return the stage that was told last, None before the first."""
        return str(self.stages[-1].data["stage"]) if self.stages else None

    @property
    def record(self) -> Told | None:
        """Return the newest record, None before the first."""
        return self.records[-1] if self.records else None

    def is_covered(self, signed_as: str) -> bool:
        """Return whether somebody signed as that after the last field of the build was told."""
        signature = self.signatures.get(signed_as)
        return signature is not None and all(one.entry < signature.entry for one in self.build_told)


def fold(entries: Iterable[JobEntry]) -> JobState:
    """Return what the entries of one job come to; kinds that are no concern of its pages are passed over.

    Entries may come in any order: a row that is higher is newer.
    """
    found = sorted(entries, key=lambda one: one.row)
    by_kind: dict[str, list[JobEntry]] = {}
    for one in found:
        by_kind.setdefault(one.kind, []).append(one)

    def all_of(kind: str) -> tuple[Told, ...]:
        return tuple(_told(one) for one in by_kind.get(kind, ()))

    opened = all_of("job_opened")
    return JobState(
        opened=opened[0] if opened else None,
        findings=_fold_findings(by_kind.get("finding", ())),
        curves=_newest(all_of("curve_put"), "which"),
        agreements=all_of("triage_agreed"),
        lines=_newest(all_of("line_put"), "line_id"),
        approvals=all_of("approved"),
        stages=all_of("stage"),
        build=_newest(all_of("build"), "field"),
        build_told=all_of("build"),
        signatures=_newest(all_of("signed"), "as"),
        records=all_of("record_made"),
        row=found[-1].row if found else 0,
    )


def make_finding(entry: JobEntry) -> Finding:
    """Return the finding of an entry of that kind."""
    data = entry.data
    note = data.get("note")
    return Finding(
        item=str(data["item"]),
        grade=str(data["grade"]),
        measures={str(key): float(value) for key, value in (data.get("measures") or {}).items()},
        note=None if note is None else str(note),
        photos=tuple(str(one) for one in data.get("photos") or ()),
        by=entry.who,
        utc=entry.utc,
        entry=entry.row,
    )


def _fold_findings(entries: Iterable[JobEntry]) -> dict[str, Looked]:
    looked: dict[str, Looked] = {}
    for finding in map(make_finding, entries):
        before = looked.get(finding.item)
        earlier = () if before is None else (before.newest, *before.earlier)
        looked[finding.item] = Looked(finding, earlier)
    return looked


def _newest(told: Iterable[Told], key: str) -> dict[str, Told]:
    return {str(one.data[key]): one for one in told}


def _told(entry: JobEntry) -> Told:
    return Told(entry.row, entry.utc, entry.who, entry.data)
