"""Reservoir pressure in recordings: columns in bar, psi and kPa, through the log and out again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.config.columns import ColumnSource
from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.errors import RecordingError
from dutylog.recording.export import export_log
from dutylog.recording.log import LogWriter
from dutylog.units import PA_PER_PSI
from engine.builders import make_profile, write_recording

VEHICLE = Vehicle("truck", "Truck", (Damper("left", "left", "plain"),), (make_profile(),))


def write(folder: Path, **columns: np.ndarray) -> Path:
    """Write four seconds at 1 kHz, with values of the further columns in every tenth of a second."""
    t_s = np.arange(4000) / 1000.0
    table = {"t_s": t_s, "left_travel_mm": 100.0 + np.sin(t_s)}
    for name, values in columns.items():
        table[name] = np.full(4000, np.nan)
        table[name][::100] = values
    return write_recording(folder / "recording.parquet", table)


def read(path: Path, **options: object) -> list[float]:
    """Return the pressures [Pa] a recording gives."""
    source = RecordingFileSource(path, ["left"], **options)
    source.start(1, {})
    found: list[float] = []
    while (batch := source.read_batch()) is not None:
        for block in batch.blocks:
            for column, channel in enumerate(block.stream.channels):
                if channel.quantity == "reservoir_pressure":
                    assert (channel.name, channel.unit) == ("left", "pa")
                    found += block.data[:, column].tolist()
    return found


@pytest.mark.parametrize(
    ("column", "factor_pa"), [("left_pressure_bar", 1e5), ("left_pressure_psi", PA_PER_PSI), ("left_pressure_kpa", 1e3)]
)
def test_each_unit_becomes_pascal(tmp_path: Path, column: str, factor_pa: float) -> None:
    values = 14.0 + np.arange(40) / 8.0
    assert read(write(tmp_path, **{column: values})) == pytest.approx((values * factor_pa).tolist(), rel=1e-12)


def test_two_columns_of_one_damper_are_refused(tmp_path: Path) -> None:
    """Which one is true, nobody can tell."""
    path = write(tmp_path, left_pressure_bar=np.full(40, 14.0), left_pressure_psi=np.full(40, 203.0))
    with pytest.raises(RecordingError, match="left_pressure_bar and left_pressure_psi both tell the pressure of left"):
        RecordingFileSource(path, ["left"])


def test_pressure_under_another_name_and_in_another_unit(tmp_path: Path) -> None:
    """[import.columns] has one target, in bar; 200 psi gauge are 13.789 bar."""
    source = ColumnSource("left_pressure_bar", "res FL", "psi")
    found = read(write(tmp_path, **{"res FL": np.full(40, 200.0)}), sources=[source])
    assert found == pytest.approx([1_378_951.4586] * 40, rel=1e-9)


def test_export_of_a_log_gives_the_pressure_back(tmp_path: Path) -> None:
    """In bar; a double of pascal goes to bar and back within its last digits."""
    values = 13.0 + np.arange(40) / 7.0
    source = RecordingFileSource(write(tmp_path, left_pressure_bar=values), ["left"])
    writer = LogWriter(tmp_path / "log", VEHICLE, "boot", ManualClock())
    writer.start_epoch(source.streams, source.kind, "", 1)
    source.start(1, {})
    while (batch := source.read_batch()) is not None:
        writer.append(batch)
    writer.close()
    export_log(tmp_path / "log", tmp_path / "out.parquet")
    table = pq.read_table(tmp_path / "out.parquet")
    assert table.column_names == ["t_s", "left_travel_mm", "left_pressure_bar"]
    column = table["left_pressure_bar"].to_numpy()
    assert column[np.isfinite(column)].tolist() == pytest.approx(values.tolist(), rel=1e-14)
