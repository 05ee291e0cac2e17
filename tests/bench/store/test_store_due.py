"""What the due board asks the store besides its rows, on both kinds of database."""

from __future__ import annotations

from bench.store.store_on import DAMPER, MANAGER

DAY = "2026-11-30"


def bring(tx, damper, profile=None, day=DAY):
    named = {"profile_name": None if profile is None else profile["name"], "profile": profile}
    tx.append("damper_put", {**DAMPER, "serial": damper, **named}, damper)
    row = {"part": "oil", "early": "2026-12-01", "likely": "2026-12-09", "late": "2027-01-01", "used_ratio": 0.5}
    tx.append("due_put", {"day": day, "basis": "card", "rows": [row]}, damper)


def serve(tx, damper, day, replaced):
    job = tx.append("job_opened", {"basis": "card"}, damper).job_id
    record = {"record": {"day": day}, "found": {}, "replaced": replaced, "by": "Bo"}
    tx.append("record_made", {"sequence": 1, "digest": f"{job:064x}", "record": record}, job_id=job)


def test_parts_replaced_here_on_the_day_of_their_forecast_or_later(store):
    """A service before it is in the forecast already; one of another damper is nobody's business."""
    with store.write(MANAGER) as tx:
        for damper, day in (("d-1", DAY), ("d-2", DAY), ("d-3", "2026-10-01"), ("d-4", DAY)):
            bring(tx, damper, day=day)
        serve(tx, "d-1", DAY, ["oil"])
        serve(tx, "d-1", "2026-12-02", ["shaft_seal"])
        serve(tx, "d-2", "2026-11-29", ["oil"])
        serve(tx, "d-3", "2026-10-15", ["oil"])
        serve(tx, "d-4", "2026-12-02", ["oil"])
    read = store.read()
    rows = [one for one in read.due_rows("2026-12-31") if one.damper_id != "d-4"]
    assert read.renewed_since(rows) == {"d-1": {"oil", "shaft_seal"}, "d-3": {"oil"}}
    assert read.renewed_since([]) == {}


def test_profiles_are_those_told_of_last(store):
    with store.write(MANAGER) as tx:
        bring(tx, "d-1", {"name": "front", "stroke_m": 0.2})
        bring(tx, "d-2", {"name": "rear", "stroke_m": 0.3})
        bring(tx, "d-3", {"name": "front", "stroke_m": 0.25})
        bring(tx, "d-4")
    assert store.read().profiles() == {
        "front": {"name": "front", "stroke_m": 0.25},
        "rear": {"name": "rear", "stroke_m": 0.3},
    }


def test_a_row_tells_how_its_damper_is_built(store):
    """Which pieces it needs follows from that."""
    with store.write(MANAGER) as tx:
        bring(tx, "d-1")
    (row,) = store.read().due_rows("2026-12-31")
    assert (row.construction, row.reservoir, row.joints) == ("floating_piston", "hose", "rod_end")
