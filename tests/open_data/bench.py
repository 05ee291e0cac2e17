"""Runs of a damper on a bench: a force curve fitted to some, energy of all from travel alone.

`PYTHONPATH=tests python -m open_data.bench` prints the table of shared/OPEN_DATA.md.

Data: damper_bench_force_travel, A. N. Vargas (UTFPR), MIT licence, DOI 10.5281/zenodo.4445334; travel,
speed and force of a magnetorheological damper at 100 Hz, driven near-sinusoidally, never beyond 0.1 m/s.
"""

from __future__ import annotations

import functools
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from open_data.folders import find_folder, read_columns, read_rows
from open_data.pipeline import integrate_travel, load_vehicle

SITTINGS = {
    "0.00 V": [f"ensaio{k}.1" for k in range(1, 10)],
    "0.87 V, first": [f"ensaio{k}.2" for k in range(1, 5)],
    "0.87 V, second": [f"ensaio{k}.2" for k in range(5, 9)],
    "1.98 V": [f"ensaio.B.{k}" for k in (1, 3, 5, 6, 7, 8, 9)],
    "3.21 V": [f"ensaio.A.{k}" for k in range(1, 10)],
}
"""Runs at one coil voltage, in order of file. The 0.87 V runs are two sittings: at 24 mm and 0.862 Hz the
mean force is 202 N in ensaio2.2 and 225 N in ensaio5.2. ensaio9.2 is left out: 279 N where ensaio7.2 has 218."""
NODE_SHARES = (0.03, 0.07, 0.15, 0.30, 0.60, 1.00)
"""Points of the curve in each direction, as shares of the sitting's highest speed."""
STROKE_MM, MIDDLE_MM = 50.0, 25.0
REST_MPS = 0.005
"""A run moves between the first and the last sample faster than this."""


@dataclass(frozen=True)
class Bench:
    """One run as recorded: SI, travel from its own middle; freq_hz from the manifest."""

    name: str
    freq_hz: float
    instants_s: np.ndarray
    travel_m: np.ndarray
    speed_mps: np.ndarray
    force_n: np.ndarray

    @property
    def moving_s(self):
        moving = self.instants_s[np.abs(self.speed_mps) > REST_MPS]
        return float(moving[-1] - moving[0])

    @property
    def sliding_m(self):
        return float(np.abs(np.diff(self.travel_m)).sum())


@dataclass(frozen=True)
class Result:
    """One run: measured loop integral, what the engine gives, and whether the curve had seen it."""

    sitting: str
    run: Bench
    was_fitted: bool
    measured_j: float
    unexplained_ratio: float
    ours: dict

    @property
    def error(self):
        return self.ours["energy_j"] / self.measured_j - 1.0


def load_run(folder, row):
    columns = read_columns(folder / row["file"])
    travel_m = columns["x_mm"] * 1e-3
    middle_m = 0.5 * (travel_m.max() + travel_m.min())
    name = row["file"].removesuffix(".csv")
    return Bench(
        name, float(row["freq_Hz"]), columns["t_s"], travel_m - middle_m, columns["v_mm_s"] * 1e-3, columns["F_N"]
    )


def hats(speed_mps, nodes_mps):
    """Return, for each node in both directions, how much its force counts at a speed; end slopes go on."""
    columns = []
    points = np.concatenate([[0.0], nodes_mps, [10.0]])
    for sign in (-1.0, 1.0):
        for k in range(1, len(nodes_mps) + 1):
            weight = np.zeros(len(points))
            weight[k] = 1.0
            weight[-1] = weight[-3:-1] @ _onward(points)
            columns.append(sign * np.interp(sign * speed_mps, points, weight, left=0.0))
    return np.stack(columns, axis=1)


def _onward(points):
    share = (points[-1] - points[-2]) / (points[-2] - points[-3])
    return np.array([-share, 1.0 + share])


def elastic(run):
    """Return the columns of a force that stores and gives back: constant (static load, gas) and spring."""
    return np.stack([np.ones_like(run.travel_m), run.travel_m], axis=1)


def fit_curve(runs, nodes_mps):
    """Return the least-squares curve as [m/s, N] points, each run with an elastic force of its own.

    The curve space contains F = c v, so over the fitted runs together the residual does no work: their
    energy is kept whatever the hysteresis. What the held-out runs show is how far the curve carries.
    """
    rows = []
    for i, run in enumerate(runs):
        own = np.zeros((len(run.force_n), 2 * len(runs)))
        own[:, 2 * i : 2 * i + 2] = elastic(run)
        rows.append(np.hstack([hats(run.speed_mps, nodes_mps), own]))
    force = np.concatenate([run.force_n for run in runs])
    heights = np.linalg.lstsq(np.vstack(rows), force, rcond=None)[0]
    n = len(nodes_mps)
    rebound = [[-float(v), -float(f)] for v, f in zip(nodes_mps[::-1], heights[:n][::-1], strict=True)]
    return [*rebound, [0.0, 0.0], *([float(v), float(f)] for v, f in zip(nodes_mps, heights[n : 2 * n], strict=True))]


def measure(run, nodes_mps):
    """Return the loop integral of F dx [J] and the share of force (rms) that no curve over speed explains.

    The run's elastic force is taken off first: over whole cycles it does no work, but a run doesn't
    end where it began.
    """
    columns = np.hstack([hats(run.speed_mps, nodes_mps), elastic(run)])
    weights = np.linalg.lstsq(columns, run.force_n, rcond=None)[0]
    damping_n = run.force_n - elastic(run) @ weights[-2:]
    rest_n = run.force_n - columns @ weights
    return float(np.trapezoid(damping_n, run.travel_m)), float(np.std(rest_n) / np.std(damping_n))


def nodes_of(runs, shares=NODE_SHARES):
    return np.array(shares) * max(np.abs(run.speed_mps).max() for run in runs)


@functools.cache
def load_sittings():
    folder = find_folder("damper_bench_force_travel")
    rows = {row["file"].removesuffix(".csv"): row for row in read_rows(folder / "MANIFEST.csv")}
    return {name: [load_run(folder, rows[run]) for run in runs] for name, runs in SITTINGS.items()}


def integrate_run(run, curve):
    with tempfile.TemporaryDirectory() as folder:
        vehicle = load_vehicle(Path(folder), curve, STROKE_MM)
        return integrate_travel(Path(folder), vehicle, run.instants_s, run.travel_m * 1e3 + MIDDLE_MM)


@functools.cache
def bench_results(scale=1.0, shares=NODE_SHARES):
    """Return a Result for every run: every other run of a sitting gives the curve, travel alone the energy."""
    results = []
    for sitting, runs in load_sittings().items():
        nodes = nodes_of(runs, shares)
        curve = [[v, scale * f] for v, f in fit_curve(runs[::2], nodes)]
        for i, run in enumerate(runs):
            energy_j, unexplained = measure(run, nodes_of(runs))
            results.append(Result(sitting, run, i % 2 == 0, energy_j, unexplained, integrate_run(run, curve)))
    return tuple(results)


def table_rows():
    """Return the lines of the table in shared/OPEN_DATA.md."""
    lines = []
    for r in bench_results():
        known = 2.0 * r.run.freq_hz * r.run.moving_s
        lines.append(
            f"| {r.run.name} | {r.sitting} | {'curve' if r.was_fitted else 'held out'} | {r.measured_j:.1f} "
            f"| {r.ours['energy_j']:.1f} | {100 * r.error:+.1f} | {100 * r.unexplained_ratio:.0f} "
            f"| {known:.1f} | {r.ours['strokes']} |"
        )
    return lines


if __name__ == "__main__":
    sys.stdout.write("\n".join(table_rows()) + "\n")
