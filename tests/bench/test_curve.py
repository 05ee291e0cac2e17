"""A bench's curve against its profile: exact where it can be, and honest about what wasn't measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.known_unit import PROFILE, TARGET_PA, TODAY, found, unit
from dutylog.bench.curve import Comparison, compare, take_gas_out
from dutylog.bench.curve_csv import POINTS, BenchCurve, read_curve_csv
from dutylog.bench.figures import say
from dutylog.bench.inspection_items import ITEM_OF, check_measures
from dutylog.bench.rules_book import shipped_rules
from dutylog.bench.triage import judge
from dutylog.bench.triage_words import OUTING, STOP, WATCH
from dutylog.domain.vehicle import ForceAt, ForceCurve
from dutylog.errors import InputError
from dutylog.units import M_PER_INCH

SPEEDS = (-1.0, -0.5, -0.2, -0.1, -0.05, 0.0, 0.05, 0.1, 0.2, 0.5, 1.0)
CURVE = PROFILE.force[0].curve


def measured(compression: float = 1.0, rebound: float = 1.0, speeds: tuple[float, ...] = SPEEDS) -> BenchCurve:
    """Return what the profile makes, each direction times a factor."""
    forces = tuple(CURVE.compute_force_n(v) * (compression if v > 0 else rebound) for v in speeds)
    return BenchCurve(speeds, forces, len(speeds))


def csv(lines: list[str], mark: str = ",") -> bytes:
    return ("\n".join(line.replace("|", mark) for line in lines) + "\n").encode()


def words(comparison: Comparison) -> str:
    return " | ".join(say(one) for one in comparison.says).replace("\u00a0", " ")


@pytest.mark.parametrize(("compression", "rebound"), [(1.0, 1.0), (0.7, 1.0), (1.0, 0.4), (0.55, 0.6), (1.3, 1.2)])
def test_a_factor_on_the_force_is_found_exactly(compression: float, rebound: float) -> None:
    """Of a curve that is the profile's times a factor, each speed and the sums show that factor and nothing else."""
    told = compare(measured(compression, rebound), PROFILE)
    assert told.compression_ratio == pytest.approx(compression - 1.0, abs=1e-12)
    assert told.rebound_ratio == pytest.approx(rebound - 1.0, abs=1e-12)
    for point in told.points:
        factor = compression if point.speed_mps > 0 else rebound
        assert point.change_ratio == pytest.approx(factor - 1.0, abs=1e-12)
        assert point.expected_n == pytest.approx(CURVE.compute_force_n(point.speed_mps))
    assert told.measures == pytest.approx(
        {
            "compression_lost_percent": round(100 * (1 - compression), 1),
            "rebound_lost_percent": round(100 * (1 - rebound), 1),
        }
    )
    assert check_measures(ITEM_OF["damping_curve"], told.measures) == told.measures


def test_nothing_is_said_beyond_what_was_measured() -> None:
    """A bench that reaches 0.3 m/s says nothing of 1 m/s, and one that only pulls nothing of compression."""
    told = compare(measured(speeds=(-0.3, -0.1, 0.0)), PROFILE)
    assert min(one.speed_mps for one in told.points) == -0.3
    assert max(one.speed_mps for one in told.points) < 0
    assert told.compression_ratio is None
    assert "compression: not measured" in words(told)
    assert set(told.measures) == {"rebound_lost_percent"}
    with pytest.raises(InputError, match="too slow to compare"):
        compare(BenchCurve((-0.01, 0.0, 0.01), (-1.0, 0.0, 1.0), 3), PROFILE)


@pytest.mark.parametrize(
    ("compression", "rebound", "text"),
    [
        (1.0, 1.0, "compression: as the profile within 10 %"),
        (0.6, 0.6, "both directions lost alike: thin, hot or too little oil"),
        (0.6, 1.0, "only compression lost: look at that side's shims"),
        (1.0, 0.6, "rebound: 40 % less force than the profile, 0.02 m/s to 1.00 m/s"),
        (1.3, 1.3, "more force both ways"),
    ],
)
def test_what_a_pattern_points_to_is_said(compression: float, rebound: float, text: str) -> None:
    assert text in words(compare(measured(compression, rebound), PROFILE))


def test_a_loss_at_slow_speed_and_one_at_speed_are_told_apart() -> None:
    """Past the piston at slow speed, foam and shims at speed: they send hands to different places."""
    slow = tuple(CURVE.compute_force_n(v) * (0.5 if 0 < v < 0.1 else 1.0) for v in SPEEDS)
    fast = tuple(CURVE.compute_force_n(v) * (0.5 if v >= 0.1 else 1.0) for v in SPEEDS)
    assert "most of the loss is at slow speed" in words(compare(BenchCurve(SPEEDS, slow, 11), PROFILE))
    told = words(compare(BenchCurve(SPEEDS, fast, 11), PROFILE))
    assert "compression: most of the loss is at speed: gas too low for it, foam, or bent shims" in told


def test_gas_is_taken_out_and_fade_off_the_profile() -> None:
    """A bench that shows the gas adds its force to compression and takes it from rebound: no loss, no gain."""
    gas_n = TARGET_PA * PROFILE.shaft_area_m2
    assert gas_n == pytest.approx(534, rel=0.01)
    raw = replace(measured(), forces_n=tuple(one + gas_n for one in measured().forces_n))
    assert abs(compare(raw, PROFILE).rebound_ratio or 0.0) > 0.1
    clean = compare(take_gas_out(raw, TARGET_PA, PROFILE.shaft_area_m2), PROFILE)
    assert clean.compression_ratio == pytest.approx(0.0, abs=1e-9)
    assert "the gas force of 534 N was taken out" in clean.notes
    warm = compare(measured(0.9, 0.9), replace(PROFILE, fade_per_k=0.002), body_c=90.0)
    assert warm.compression_ratio == pytest.approx(0.0, abs=1e-12)


def test_a_profile_by_travel_is_compared_where_it_was_stroked() -> None:
    soft = ForceCurve(CURVE.speeds_mps, tuple(0.5 * one for one in CURVE.forces_n))
    by_travel = replace(PROFILE, force=(ForceAt(0.0, soft), ForceAt(0.25, CURVE)))
    assert compare(measured(), by_travel, travel_m=0.25).rebound_ratio == pytest.approx(0.0, abs=1e-12)
    assert compare(measured(), by_travel, travel_m=0.0).rebound_ratio == pytest.approx(1.0)
    middle = compare(measured(0.75, 0.75), by_travel)
    assert middle.rebound_ratio == pytest.approx(0.0, abs=1e-12)
    assert any("compared at 125 mm" in note for note in middle.notes)


@pytest.mark.parametrize(("compression", "rebound", "row"), [(0.9, 0.9, WATCH), (0.65, 1.0, OUTING), (1.0, 0.3, STOP)])
def test_a_curve_reaches_the_verdict_by_its_point(compression: float, rebound: float, row: str) -> None:
    told = compare(measured(compression, rebound), PROFILE)
    finding = found("damping_curve", "as_new", **told.measures)
    assert judge(unit(), [finding], shipped_rules(), TODAY).row == row


# -------------------------------------------------------------------------------------------------------------- CSV

ROWS = [(-500.0, -2500.0), (-100.0, -1000.0), (0.0, 0.0), (100.0, 500.0), (500.0, 1200.0)]
N_PER_LBF = 4.4482216152605


@pytest.mark.parametrize(
    ("header", "scale_v", "scale_f", "mark"),
    [
        ("speed [mm/s]|force [N]", 1.0, 1.0, ","),
        ("Velocity (m/s)|Load (lbf)", 1e-3, 1 / N_PER_LBF, ","),
        ("speed_in_s;force_n".replace(";", "|"), 1e-3 / M_PER_INCH, 1.0, ";"),
        ("shaft speed [mm/s]|damping force [kN]", 1.0, 1e-3, "\t"),
    ],
)
def test_units_and_separators_all_give_the_same_curve(header: str, scale_v: float, scale_f: float, mark: str) -> None:
    """A curve in inches and pounds is the same damper."""
    lines = [header, *(f"{v * scale_v!r}|{f * scale_f!r}" for v, f in ROWS)]
    curve = read_curve_csv(csv(lines, mark))
    assert curve.speeds_mps == pytest.approx([v * 1e-3 for v, _ in ROWS], abs=1e-12)
    assert curve.forces_n == pytest.approx([f for _, f in ROWS], rel=1e-12, abs=1e-9)
    assert (curve.rows_count, curve.notes) == (5, ())


def test_a_decimal_comma_a_byte_order_mark_and_remarks_are_read() -> None:
    text = "\ufeff# bench 2\r\nspeed [m/s];force [N];temperature\r\n-0,5;-2500;31\r\n\r\n0;0;31\r\n0,5;1200,5;31\r\n"
    curve = read_curve_csv(text.encode())
    assert curve.speeds_mps == (-0.5, 0.0, 0.5)
    assert curve.forces_n == (-2500.0, 0.0, 1200.5)


def test_a_unit_that_the_header_lacks_is_the_one_chosen() -> None:
    lines = ["speed|force", *(f"{v}|{f}" for v, f in ROWS)]
    assert read_curve_csv(csv(lines), "mm/s", "N").speeds_mps[0] == -0.5
    with pytest.raises(InputError, match="says no unit"):
        read_curve_csv(csv(lines))
    with pytest.raises(InputError, match=r"unit 'km/h' of speed, expected m/s, mm/s, in/s"):
        read_curve_csv(csv(lines), "km/h", "N")


def test_a_whole_sweep_becomes_the_mean_of_both_ways() -> None:
    """Each loop of a bench goes up one side and comes down the other; the curve lies between them."""
    angle = np.linspace(0.0, 2.0 * np.pi, 4001)
    speeds, hysteresis = 0.5 * np.sin(angle), 80.0 * np.cos(angle)
    lines = ["speed [m/s]|force [N]", *(f"{v:.6f}|{3000 * v + h:.3f}" for v, h in zip(speeds, hysteresis, strict=True))]
    curve = read_curve_csv(csv(lines))
    assert 2 <= len(curve.speeds_mps) <= POINTS
    assert all(later > before for before, later in zip(curve.speeds_mps, curve.speeds_mps[1:], strict=False))
    off = np.array(curve.forces_n) - 3000 * np.array(curve.speeds_mps)
    # Both ways pass each slice alike, so what is left is where samples fell: a twentieth of the loop's half width.
    assert np.max(np.abs(off)) < 4.0
    assert curve.notes == (f"4001 rows became {len(curve.speeds_mps)} points, each the mean of its rows",)


HEAD = "speed [mm/s],force [N]"
BAD = [
    (b"", "the file is empty"),
    (b"\n \n", "the file is empty"),
    (b"\xff\xfe\x00", "is no UTF-8"),
    (b"speed [mm/s],force [N]\n\x00", "holds zero bytes"),
    (b"x" * 1_000_001, "1000000 at most"),
    (b"-1,-2\n0,0\n1,2\n", "no column 'speed' in the header (-1, -2)"),
    (b"speed [mm/s],weight\n1,2\n", "no column 'force'"),
    (b"speed [mm/s],force [N],force [N]\n1,2,3\n", "2 columns of force"),
    (b"speed [km/h],force [N]\n1,2\n2,3\n3,4\n", "unit 'km/h' of speed"),
    (f"{HEAD}\n1,2\n2,3\n".encode(), "2 rows below the header"),
    (f"{HEAD}\n1,2\n2,3,4\n3,4\n".encode(), "line 3 has 3 cells, the header 2; is there a decimal comma?"),
    (f"{HEAD}\n1,2\nabc,3\n3,4\n".encode(), "line 3, speed: 'abc' is no number"),
    (f"{HEAD}\n1,nan\n2,3\n3,4\n".encode(), "line 2, force: 'nan' is no number"),
    (f"{HEAD}\n100,1e999\n200,3\n300,4\n".encode(), "the largest force is inf N"),
    (f"{HEAD}\n1,\n2,3\n3,4\n".encode(), "line 2, force: '' is no number"),
    (f"{HEAD}\n1,٣\n2,3\n3,4\n".encode(), "is no number"),
    (f'{HEAD}\n"1,2\n2,3\n3,4\n'.encode(), "line 2 is no CSV"),
    (f"{HEAD}\n1,20\n1,30\n1,40\n".encode(), "the largest speed is 0.001 m/s"),
    (f"{HEAD}\n100,20\n100,30\n100,40\n".encode(), "all rows have the same speed"),
    (f"{HEAD}\n-100,900\n0,0\n100,-500\n".encode(), "opposite signs"),
    (f"{HEAD}\n-100,900\n0,0\n100,500\n100,500\n".encode(), "forces of rebound have the sign of the other direction"),
    (f"{HEAD}\n100,20\n200,30\n13000,40\n".encode(), "the largest speed is 13 m/s, expected 0.05 to 12"),
    (f"{HEAD}\n100,2\n200,3\n300,4\n".encode(), "the largest force is 4 N, expected 20"),
    (f"{HEAD}\n".encode() + b"1,2\n" * 50_001, "50001 rows, 50000 at most"),
    (("speed [mm/s],force [N]," + "," * 100 + "\n1,2\n").encode(), "columns, 64 at most"),
]


@pytest.mark.parametrize(("data", "text"), BAD, ids=[text[:40] for _, text in BAD])
def test_a_file_that_is_no_curve_is_refused_in_one_line(data: bytes, text: str) -> None:
    with pytest.raises(InputError) as told:
        read_curve_csv(data)
    assert text in str(told.value)
    assert "\n" not in str(told.value)
    assert str(told.value).isprintable()
    assert len(str(told.value)) < 250


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.lists(st.tuples(st.floats(width=32), st.floats(width=32)), max_size=8).map(
            lambda rows: "\n".join([HEAD, *(f"{speed!r},{force!r}" for speed, force in rows)]).encode()
        ),
        st.lists(st.tuples(st.floats(-999, 999), st.floats(-999, 999)), min_size=3, max_size=8).map(
            lambda rows: "\n".join([HEAD, *(f"{speed:f},{abs(force) * speed:f}" for speed, force in rows)]).encode()
        ),
        st.lists(st.text(alphabet='0123456789.,;-eE\t"\r\n#[]mN/s ', max_size=20), max_size=8).map(
            lambda rows: "\n".join([HEAD, *rows]).encode()
        ),
    )
)
def test_any_bytes_are_a_curve_or_one_line(data: bytes) -> None:
    problem, curve = "", None
    try:
        curve = read_curve_csv(data)
    except InputError as err:
        problem = str(err)
    assert "\n" not in problem
    if curve is not None:
        assert all(later > before for before, later in zip(curve.speeds_mps, curve.speeds_mps[1:], strict=False))
        assert np.isfinite(curve.forces_n).all()
