"""The few numbers of a damper that are written every second: integer sums and maxima.

Integers because sums of floats depend on the order of adding; these don't, so a run split or
merged anywhere gives the same bits.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

SUMS = (
    "energy_compression_uj",
    "energy_rebound_uj",
    "strokes_count",
    "compression_strokes_count",
    "shaft_travel_um",
    "stroke_travel_um",
    "bottom_outs_count",
    "measured_us",
    "unmeasured_us",
    "moving_us",
    "moving_measured_us",
    "cavitation_us",
    "cavitation_energy_uj",
)


@dataclass(slots=True)
class Totals:
    """Accumulated duty of one damper in whole micro-units; times are per damper.

    energy_*_uj [uJ], *_travel_um [um], *_us [us], peak_*_umps [um/s], peak_body_mc [m degC] or None
    while no temperature was seen. measured + unmeasured = time the source was running; moving_*
    the same while the vehicle moved (speed over 1 m/s or a stroke within 10 s). cavitation_*: measured time
    beyond the cavitation margin, and the energy in it, which is uncertain; part of the other figures.
    """

    energy_compression_uj: int = 0
    energy_rebound_uj: int = 0
    strokes_count: int = 0
    compression_strokes_count: int = 0
    shaft_travel_um: int = 0
    stroke_travel_um: int = 0
    bottom_outs_count: int = 0
    measured_us: int = 0
    unmeasured_us: int = 0
    moving_us: int = 0
    moving_measured_us: int = 0
    peak_compression_umps: int = 0
    peak_rebound_umps: int = 0
    peak_body_mc: int | None = None
    # Behind the others: rows stored before there were these are read as what they were.
    cavitation_us: int = 0
    cavitation_energy_uj: int = 0

    @property
    def energy_uj(self) -> int:
        """Return compression and rebound energy together [uJ]."""
        return self.energy_compression_uj + self.energy_rebound_uj

    def copy(self) -> Totals:
        """Return an independent copy."""
        return Totals(
            self.energy_compression_uj,
            self.energy_rebound_uj,
            self.strokes_count,
            self.compression_strokes_count,
            self.shaft_travel_um,
            self.stroke_travel_um,
            self.bottom_outs_count,
            self.measured_us,
            self.unmeasured_us,
            self.moving_us,
            self.moving_measured_us,
            self.peak_compression_umps,
            self.peak_rebound_umps,
            self.peak_body_mc,
            self.cavitation_us,
            self.cavitation_energy_uj,
        )

    def as_row(self) -> tuple[int | None, ...]:
        """Return the values in field order, as the ledger stores them."""
        return tuple(getattr(self, f.name) for f in fields(self))

    def merge(self, later: Totals) -> None:
        """Add a later run to this one."""
        # Written out: this runs several times for every damper and second of data.
        self.energy_compression_uj += later.energy_compression_uj
        self.energy_rebound_uj += later.energy_rebound_uj
        self.strokes_count += later.strokes_count
        self.compression_strokes_count += later.compression_strokes_count
        self.shaft_travel_um += later.shaft_travel_um
        self.stroke_travel_um += later.stroke_travel_um
        self.bottom_outs_count += later.bottom_outs_count
        self.measured_us += later.measured_us
        self.unmeasured_us += later.unmeasured_us
        self.moving_us += later.moving_us
        self.moving_measured_us += later.moving_measured_us
        if later.peak_compression_umps > self.peak_compression_umps:
            self.peak_compression_umps = later.peak_compression_umps
        if later.peak_rebound_umps > self.peak_rebound_umps:
            self.peak_rebound_umps = later.peak_rebound_umps
        if later.peak_body_mc is not None:
            self.peak_body_mc = _larger(self.peak_body_mc, later.peak_body_mc)
        if later.cavitation_us or later.cavitation_energy_uj:
            self.cavitation_us += later.cavitation_us
            self.cavitation_energy_uj += later.cavitation_energy_uj

    def raise_to(self, stored: Totals) -> None:
        """Make each value at least the stored one."""
        for name in TOTALS_COLUMNS:
            setattr(self, name, _larger(getattr(self, name), getattr(stored, name)))

    def reaches(self, stored: Totals) -> bool:
        """Return whether no value is below the stored one."""
        return all(
            (getattr(stored, name) is None)
            or (getattr(self, name) is not None and getattr(self, name) >= getattr(stored, name))
            for name in TOTALS_COLUMNS
        )

    def since(self, earlier: Totals) -> Totals:
        """Return the sums gained since an earlier copy; maxima are this one's own."""
        gained = self.copy()
        for name in SUMS:
            setattr(gained, name, getattr(self, name) - getattr(earlier, name))
        return gained


TOTALS_COLUMNS = tuple(f.name for f in fields(Totals))


def _larger(first: int | None, second: int | None) -> int | None:
    if first is None or second is None:
        return second if first is None else first
    return max(first, second)
