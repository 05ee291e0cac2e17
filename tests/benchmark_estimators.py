"""Which shaft-speed estimator: candidates of several families on every healthy recording with known truth.

`python -m tests.benchmark_estimators`, half a minute. What the tables say: shared/SHAFT_SPEED.md.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from tests.estimators.candidate import Candidate
from tests.estimators.hum import remove_hum
from tests.estimators.kalman import FixedLag
from tests.estimators.kernels import Chosen, Fixed, Plain, least_squares_filter, windowed_polynomial
from tests.estimators.recordings import Known, load_known
from tests.estimators.scoring import Errors, score
from tests.estimators.spectral import Production, Shrinkage

GRADES = ("adc16", "adc12", "adc12_noisy")
TIMED = "C"
"""The case whose cost is measured, once all is warm."""
AS_READ = (Plain, Production)
"""The plain way doesn't know of hum; the engine takes it out itself, at its own cost."""
POLYNOMIAL_HALVES = (160, 80, 40, 20, 10)
CUTS_HZ = (20.0, 40.0, 80.0, 160.0)


def candidates() -> list[Candidate]:
    """Return all candidates, the plain way first and the engine's own last."""
    found: list[Candidate] = [Plain()]
    polynomials = {half: windowed_polynomial(half) for half in POLYNOMIAL_HALVES}
    for half in (10, 20, 40):
        found.append(
            Fixed(f"polynomial, {2 * half + 1} samples", bandwidth_text(polynomials[half].derive), polynomials[half])
        )
    found.append(
        Chosen("polynomial, chosen per tile", "by tile", tuple(polynomials[half] for half in POLYNOMIAL_HALVES))
    )
    filters = {hz: least_squares_filter(80, hz * 1e-3, hz * 1.6e-3) for hz in CUTS_HZ}
    for hz in (40.0, 80.0):
        found.append(Fixed(f"least-squares filter, {hz:.0f} Hz", bandwidth_text(filters[hz].derive), filters[hz]))
    found.append(Chosen("least-squares filter, chosen per tile", "by tile", tuple(filters[hz] for hz in CUTS_HZ)))
    found.append(FixedLag("fixed-lag smoother, acceleration", 3))
    found.append(FixedLag("fixed-lag smoother, jerk", 4))
    found.append(Shrinkage("spectral, bins only selected", 0.0))
    found.append(Shrinkage("spectral, Wiener gain", 1.0))
    found.append(Shrinkage("spectral, power kept", 0.5))
    found.append(Production())
    return found


def bandwidth_text(derive: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    """Return where a differentiating kernel has lost 3 dB against the true slope, at 1 kHz."""
    hz = np.arange(1.0, 500.0)
    half = len(derive) // 2
    response = np.abs(np.exp(2j * np.pi * np.outer(hz * 1e-3, np.arange(-half, half + 1))) @ derive)
    low = np.flatnonzero(response / (2.0 * np.pi * hz * 1e-3) < np.sqrt(0.5))
    return f"{hz[low[0]]:.0f} Hz" if len(low) else "all"


@dataclass(frozen=True, slots=True)
class Result:
    """One candidate on one recording."""

    candidate: Candidate
    case: str
    errors: list[Errors]
    ns_per_sample: float


def measure(chosen: Sequence[Candidate], recordings: Sequence[Known]) -> Iterator[Result]:
    """Yield the result of every candidate on every recording; hum is out before all but AS_READ get to see it."""
    for known in recordings:
        windows = known.windows_m()
        tiles, dampers, length = windows.shape
        as_read = windows.reshape(-1, length)
        clean = remove_hum(as_read, known.dt_s)
        for candidate in chosen:
            flat = as_read if isinstance(candidate, AS_READ) else clean
            start = time.perf_counter()
            travel, speed = candidate.estimate(flat, known.shape, known.dt_s)
            spent_s = time.perf_counter() - start
            shaped = [known.join(part.reshape(tiles, dampers, known.shape.n)) for part in (travel, speed)]
            yield Result(candidate, known.name[0], score(known, *shaped), 1e9 * spent_s / (len(flat) * known.shape.n))


def energy_table(results: Sequence[Result]) -> list[str]:
    """Return worst energy errors by case and grade, in Markdown: % of the truth; of case E in W."""
    cases = sorted({result.case for result in results})
    lines = ["Energy, worst corner, adc16 / adc12 / adc12_noisy: % of the truth, case E in W", ""]
    lines += ["| estimator | " + " | ".join(cases) + " |", "| --- |" + " ---: |" * len(cases)]
    for candidate in unique_candidates(results):
        cells = []
        for case in cases:
            errors = [e for r in results if r.candidate is candidate and r.case == case for e in r.errors]
            cells.append(" / ".join(worst_energy(errors, grade, in_watts=case == "E") for grade in GRADES))
        lines.append(f"| {candidate.name} | " + " | ".join(cells) + " |")
    return lines


def worst_energy(errors: Sequence[Errors], grade: str, *, in_watts: bool) -> str:
    """Return the worst error of a grade as the table shows it."""
    values = [e.power_w if in_watts else 100.0 * e.energy for e in errors if e.grade == grade]
    worst = max(values, key=abs)
    digits = 3 if in_watts else 2
    return f"{worst:+.{digits}f}" if abs(worst) < 10 else f"{worst:+.0f}"


def motion_table(results: Sequence[Result]) -> list[str]:
    """Return worst errors of strokes, sliding and peak speed over all driving cases, and what a candidate costs."""
    lines = [
        "All driving cases (without E), worst corner, % of the truth; strokes by the 3 mm rule for everyone",
        "",
        "| estimator | strokes | sliding | peak speed | bandwidth | lag, s | ns/sample |",
        "| --- | ---: | ---: | ---: | --- | ---: | ---: |",
    ]
    for candidate in unique_candidates(results):
        mine = [r for r in results if r.candidate is candidate]
        driving = [e for r in mine if r.case != "E" for e in r.errors]
        figures = [max((getattr(e, key) for e in driving), key=abs) for key in ("strokes", "sliding", "peak")]
        cost = next((r.ns_per_sample for r in mine if r.case == TIMED), mine[0].ns_per_sample)
        lines.append(
            f"| {candidate.name} | "
            + " | ".join(f"{100.0 * figure:+.2f}" for figure in figures)
            + f" | {candidate.bandwidth} | {candidate.lag_s:.3f} | {cost:.0f} |"
        )
    return lines


def unique_candidates(results: Sequence[Result]) -> list[Candidate]:
    """Return the candidates in the order in which they first appear."""
    return list({id(result.candidate): result.candidate for result in results}.values())


def estimator_lines() -> list[str]:
    """Return both tables, for `make benchmark`."""
    results = list(measure(candidates(), list(load_known())))
    return [*energy_table(results), "", *motion_table(results)]


def main() -> None:
    """Print both tables."""
    start = time.perf_counter()
    print("\n".join(estimator_lines()))
    print(f"\n{time.perf_counter() - start:.0f} s in all")


if __name__ == "__main__":
    main()
