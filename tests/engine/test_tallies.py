"""Tiles added up before they are handed on say what each of them says by itself."""

from __future__ import annotations

import itertools
import random

from hypothesis import given
from hypothesis import strategies as st

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.minutes import MinuteTracker
from dutylog.engine.place import TileGain
from dutylog.engine.tallies import add_up, cut_alike, summarize
from dutylog.engine.trips import TripTracker
from engine.builders import S_NS, Log, Run, make_vehicle, strokes_mm, travel_stream

INSTALLED = 41
TRAVEL = travel_stream("left", "right")


class Tile:
    """What trips and minutes want of a prepared tile."""

    def __init__(self, tile, seed):
        self.epoch, self.tile, self.start_ns, self.end_ns = 1, tile, tile * S_NS, (tile + 1) * S_NS
        self.vehicle_mps = seed.choice([None, 0.1, seed.random() * 30])
        self.ambient_c = seed.choice([None, seed.random()])
        self.body_mean_c = (seed.choice([None, seed.random()]), seed.random())


def rows_of(moving, lengths, grace_s, seed):
    """Return trips and minutes of tiles that are worked off so many at once; units change before tile INSTALLED."""
    random_ = random.Random(seed)
    trips, minutes = TripTracker(round(grace_s * S_NS)), MinuteTracker()
    ended, rows = [], []
    tiles = [Tile(number, random_) for number in range(len(moving))]
    gains = [[TileGain(Totals(*(random_.randrange(9) for _ in TOTALS_COLUMNS)), 1) for _ in moving] for _ in range(2)]
    begin, lengths = 0, itertools.cycle(lengths)
    while begin < len(tiles):
        stop = min(len(tiles), begin + next(lengths))
        if begin < INSTALLED < stop:
            stop = INSTALLED
        some = tiles[begin:stop]
        for part in cut_alike(some, moving[begin:stop], trips.grace_ns):
            # A unit that is installed while all stands is in the trip that was open then.
            named = tuple(
                (f"u{row + 2 * (begin >= INSTALLED)}", "lr"[row], add_up(of_damper[begin:stop][part]))
                for row, of_damper in enumerate(gains)
            )
            summaries = summarize(some[part], named, moving=moving[begin:stop][part.start])
            for one in summaries:
                ended += trips.update(one)
            bodies = list(zip(*(tile.body_mean_c for tile in some[part]), strict=True))
            airs, speeds = [t.ambient_c for t in some[part]], [t.vehicle_mps for t in some[part]]
            rows += minutes.update(summaries[0]._replace(end_ns=summaries[-1].end_ns), bodies, airs, speeds)
        begin = stop
    return repr((ended, rows, trips.to_dict(), minutes.to_dict(), trips.row()))


@given(
    st.lists(st.tuples(st.booleans(), st.integers(1, 30)), min_size=1, max_size=12),
    st.lists(st.integers(1, 36), min_size=1, max_size=5),
    st.sampled_from([0.05, 1.0, 6.0, 20.0]),
    st.integers(0, 99),
)
def test_spans_of_any_length_give_the_rows_of_single_tiles(stretches, lengths, grace_s, seed):
    moving = [moves for moves, count in stretches for _ in range(count)]
    assert rows_of(moving, lengths, grace_s, seed) == rows_of(moving, [1], grace_s, seed)


def test_what_a_tile_says_of_heat_is_of_the_unit_that_was_there_whenever_it_is_read():
    log = Log(make_vehicle())
    log.start(TRAVEL)
    log.write(TRAVEL, strokes_mm(8))
    log.event("install", position="left", unit_id="other", serial=None)
    log.write(TRAVEL, strokes_mm(4, start_s=8))
    log.end()

    def heats(*, late):
        engine, steps = Run(log.vehicle).engine, []
        for frame in log.frames:
            steps.append(engine.feed(frame))
            assert late or steps[-1].heat is steps[-1].heat
        return [tile for step in steps for tile in step.heat]

    found = heats(late=True)
    assert found == heats(late=False)
    assert {tile.unit_id for tile in found if tile.position == "left"} == {"unnamed:left", "other"}
    assert len(found) == 2 * 12
