"""What a job's pages rest on: the same facts as the intake page, whole readings, and curves that nobody typed over."""

from __future__ import annotations

from datetime import timedelta

import pytest

from dutylog.bench.job_facts import read_intake
from dutylog.bench.order_lines import plan_work
from dutylog.bench.rules_book import shipped_rules
from dutylog.bench.triage_words import STOP
from dutylog.domain.wear import AS_NEW
from dutylog.web.bench.job_desk import read_desk
from dutylog.web.bench.job_head import read_job_head
from web.bench.jobs_made import TODAY, JobBench, Person, bench, made, tom

__all__ = ["bench", "made", "tom"]
GAS = "charge_before"
READING = {
    "m_gauge_pa": "200", "u_gauge_pa": "psi", "m_body_c": "20", "m_air_c": "20", "m_travel_mm": "0",
    "m_altitude_m": "250",
}  # fmt: skip
TABLE = "speed [mm/s];force [N]\n" + "\n".join(f"{v};{v / 20}" for v in range(-1000, 1001, 100))
GONE = "It hardly damps any more."


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"m_travel_mm": "", "m_altitude_m": ""}, "shaft in, from full extension, altitude not put down"),
        ({"m_gauge_pa": "0", "m_air_c": ""}, "air not put down"),
        ({"m_travel_mm": "300"}, "the shaft is 300 mm in, its stroke is"),
    ],
)
def test_half_a_gauge_reading_is_refused(bench: JobBench, tom: Person, change: dict[str, str], words: str) -> None:
    """A gauge without its temperatures, or of a shaft further in than it goes, would be kept and judge nothing."""
    answer = tom.answer(GAS, AS_NEW, **(READING | change))
    assert answer.status_code == 400
    assert words in answer.text
    assert GAS not in bench.state().findings


def test_a_curve_is_judged_though_nobody_answered_its_point(bench: JobBench, tom: Person) -> None:
    """A damper with hardly any force left isn't driven because somebody forgot to press a button."""
    assert GONE not in tom.get("/triage").text
    assert tom.post("/curve", {}, {"table": ("as found.csv", TABLE, "text/csv")}).status_code == 200
    assert GONE in tom.get("/triage").text
    # An answer that plays it down doesn't take the machine's figures away.
    tom.answer("damping_curve", AS_NEW, m_rebound_lost_percent="2")
    assert GONE in tom.get("/triage").text
    with bench.store.snapshot() as reading:
        desk = read_desk(reading, bench.job, TODAY)
    judged = desk.judge(shipped_rules(), TODAY)
    assert judged.row == STOP
    plan = plan_work(desk.facts, (), TODAY, judged.reasons)
    assert any("force curve afterwards" in text for text in plan.labour)


def test_triage_rests_on_what_the_intake_page_shows(bench: JobBench) -> None:
    """Duty by radio, services of this bench, budgets learned here: else the two pages contradict each other."""
    with bench.store.snapshot() as reading:
        head = read_job_head(reading, bench.job)
        plain = read_desk(reading, bench.job, TODAY).facts
    life = plain.life
    totals = {
        "shaft_travel_um": round(((life.shaft_travel_m or 0.0) + 5000.0) * 1e6),
        "energy_compression_uj": round(((life.energy_j or 0.0) + 1e5) * 1e6),
        "energy_rebound_uj": 0,
        "moving_us": round(((life.moving_s or 0.0) + 20_000.0) * 1e6),
    }
    told = {"vehicle_id": "v", "unit_id": plain.unit_id, "revision": plain.revision, "sequence": 9, "totals": totals}
    heard = f"{plain.day + timedelta(days=1)}T10:00:00Z"
    with bench.store.write(bench.store_who()) as tx:
        tx.append("radio_duty", {**told, "utc": heard}, head.damper.damper_id)
    with bench.store.snapshot() as reading:
        desk = read_desk(reading, bench.job, TODAY)
        shown = read_intake(reading, head.job, head.damper, TODAY).facts
    assert desk.facts == shown
    band, before = desk.facts.part("wear_band"), plain.part("wear_band")
    assert band is not None
    assert before is not None
    assert band.radio_share > 0.0
    assert (band.used_ratio or 0.0) > (before.used_ratio or 0.0)
