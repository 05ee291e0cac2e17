"""The stored tiles are those the engine makes of the recordings now."""

from __future__ import annotations

from dataclasses import astuple

import pytest

from heat.case_tiles import CASES_VARIABLE, NAMES, case_folder, load_case, make_tiles


@pytest.mark.parametrize("name", NAMES)
def test_stored_tiles_are_those_of_the_recording(name):
    folder = case_folder(name)
    if folder is None:
        pytest.skip(f"recording {name} isn't at hand; name the folder it is in by {CASES_VARIABLE}")
    vehicle, tiles = make_tiles(folder)
    stored = load_case(name)
    assert stored.vehicle == vehicle
    assert set(stored.tiles) == set(tiles)
    for position, rows in tiles.items():
        assert len(rows) > 1000
        for (end_s, heat), (stored_s, kept) in zip(rows, stored.tiles[position], strict=True):
            assert (stored_s, *astuple(kept)) == pytest.approx((end_s, *astuple(heat)), rel=1e-6, abs=1e-6)
