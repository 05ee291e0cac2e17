"""Calibration of a travel sensor with a tape: pairs of counts and eye-to-eye length in, the map and its doubts out.

Travel is the length at full extension minus the length read. A straight line by least squares for a
linear sensor, a monotone piecewise line for a linkage. Formulas and limits: shared/CALIBRATION.md.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.motion.calibration import interpolate_extended

LINE, CURVE = "line", "curve"
LEAST_POINTS = {LINE: 3, CURVE: 7}
POINT_LIMIT = 60
FULL_SCALE = 32_767
"""Counts at the far end of the sensor. Source: the bridge protocol's scale of travel."""
RAIL_COUNTS = 33
"""A reading this close to 0 or full scale is at its end (judgement: 0.1 % of the scale, four steps of 12 bits)."""
TAPE_MM = 1.5
"""A tape's reading eye to eye lies within this of the truth (judgement: parallax, play of the hook)."""
TAPE_SIGMA_MM = TAPE_MM / math.sqrt(3)
"""Standard deviation of a uniform distribution of that half-width. Source: JCGM 100:2008, 4.3.7 (from memory)."""
COVERAGE = 1.959964
"""Standard deviations each side that hold 95 % of a normal distribution."""
LEAST_COVER = 0.4
"""Share of the stroke between the outer points; less, and the tape's error makes the scale worthless (judgement)."""
SAME_MM = 3.0
"""Points this close by their counts are one place: twice the tape's error."""
BEYOND_MM = 5.0
"""How far a point may lie outside 0 and the stroke: two readings of a tape and some rubber (judgement)."""
DOUBT_MM = 3.0
"""A residual a tape can't explain: twice its error."""
REFUSE_MM = 6.0
"""A residual with which nothing is stored (judgement: four times the tape's error)."""
LEAST_STEP_MM = 6.0
"""Between neighbours of a curve: below, the tape's error is most of the slope (judgement)."""
SENSOR_RANGE = (0.8, 5.0)
"""Length of the sensor that the slope implies, as a multiple of the stroke (judgement)."""
LENGTH_RANGE_MM = (50.0, 3000.0)
_CURVE_DEGREE = 3


@dataclass(frozen=True, slots=True)
class TapePoint:
    """One place of the damper. raw: mean counts. length_mm: eye to eye. noise: deviation of the counts, 0: unknown."""

    raw: float
    length_mm: float
    noise: float = 0.0


@dataclass(frozen=True, slots=True)
class TravelFit:
    """The map from counts to travel [mm], and how far to trust it.

    calibration: ((raw, mm), ...) as `Damper.calibration` wants it. mm_per_count: negative where counts
    fall with compression; of a curve between its outer points. travels_mm, residuals_mm: of each point as
    given, measured minus fitted. worst: index of the point that fits worst. span_mm: lowest and highest
    travel measured. beyond_mm: from there to full extension and to full bump. uncertainties hold 95 %:
    scale of travel over the measured span, the same between the two neighbours where it is largest, and
    travel at full extension and full bump [mm]. notes: lines for people.
    """

    method: str
    calibration: tuple[tuple[float, float], ...]
    mm_per_count: float
    travels_mm: tuple[float, ...]
    residuals_mm: tuple[float, ...]
    worst: int
    places_count: int
    span_mm: tuple[float, float]
    beyond_mm: tuple[float, float]
    scale_uncertainty_ratio: float
    local_uncertainty_ratio: float
    end_uncertainties_mm: tuple[float, float]
    notes: tuple[str, ...] = ()

    @property
    def is_reversed(self) -> bool:
        """Return whether counts fall with compression."""
        return self.mm_per_count < 0

    @property
    def energy_uncertainty_ratio(self) -> float:
        """Return what the scale's doubt makes of energy where force rises in proportion to speed: P = c v^2."""
        return 2 * self.scale_uncertainty_ratio


@dataclass(frozen=True, slots=True)
class _Places:
    """Distinct places, counts rising; members: indices of the points averaged at each. raw, travel_mm: (n,)."""

    raw: NDArray[np.float64]
    travel_mm: NDArray[np.float64]
    members: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class _Shape:
    """What a method made of the places.

    smooth_mm: value at each point given. leverage: of each place. freedom: places more than factors.
    """

    calibration: tuple[tuple[float, float], ...]
    smooth_mm: NDArray[np.float64]
    leverage: NDArray[np.float64]
    freedom: int


def mm_text(length_mm: float) -> str:
    """Return a length for people."""
    return f"{length_mm:.1f} mm"


def fit_travel(
    points: Sequence[TapePoint],
    extended_mm: float,
    stroke_mm: float,
    method: str = LINE,
    text_of: Callable[[float], str] = mm_text,
) -> TravelFit:
    """Return the calibration that tape lengths give.

    Args:
        points: in the order they were measured; near ones are averaged.
        extended_mm: eye to eye at full extension [mm]. stroke_mm: of the damper [mm].
        method: LINE for a linear sensor, CURVE for a linkage. text_of: writes a length [mm] for people.
    Raises:
        InputError: one line with what is wrong with which point, and what to do.
    Source: least squares y = a + b x; var b = s^2 / Sxx, var y(x) = s^2 (1/n + (x - xm)^2 / Sxx) (textbook).
    """
    if method not in LEAST_POINTS:
        raise InputError(f"method {method!r:.40}: expected {LINE} or {CURVE}")
    _check_numbers(points, extended_mm, stroke_mm, text_of)
    _check_rails(points)
    travels_mm = np.array([extended_mm - p.length_mm for p in points])
    _check_cover(travels_mm, stroke_mm, text_of)
    places = _group(points, travels_mm)
    _check_places(places, method)
    _check_sensor(places, stroke_mm, text_of)
    raw = np.array([p.raw for p in points])
    shape = _fit_line(places, raw) if method == LINE else _fit_curve(places, raw, text_of)
    return _judge(method, shape, points, places, travels_mm, stroke_mm, text_of)


def find_raw(calibration: tuple[tuple[float, float], ...], travel_mm: float) -> float:
    """Return the counts at a travel [mm], end slopes extended."""
    turned = tuple(sorted((mm, raw) for raw, mm in calibration))
    return float(interpolate_extended(np.array([travel_mm]), turned)[0])


def compare(
    new: tuple[tuple[float, float], ...], old: tuple[tuple[float, float], ...], stroke_mm: float
) -> tuple[float, float]:
    """Return how much larger a map's scale is than another's over the stroke [ratio - 1], and its travel at the
    other's full extension [mm]."""
    new_raw = [find_raw(new, travel_mm) for travel_mm in (0.0, stroke_mm)]
    old_raw = [find_raw(old, travel_mm) for travel_mm in (0.0, stroke_mm)]
    ratio = (old_raw[1] - old_raw[0]) / (new_raw[1] - new_raw[0])
    return ratio - 1, float(interpolate_extended(np.array([old_raw[0]]), new)[0])


# -- checks before the fit ------------------------------------------------------------------------


def _check_numbers(
    points: Sequence[TapePoint], extended_mm: float, stroke_mm: float, text_of: Callable[[float], str]
) -> None:
    if len(points) > POINT_LIMIT:
        raise InputError(f"{len(points)} points, at most {POINT_LIMIT} are taken")
    low, high = LENGTH_RANGE_MM
    for name, value in [("full extension", extended_mm), *((f"point {i}", p.length_mm) for i, p in _numbered(points))]:
        if not low <= value <= high:
            raise InputError(
                f"{name}: a length of {text_of(value)} eye to eye, expected {text_of(low)} to {text_of(high)}; "
                "read the tape again and look at its unit"
            )
    for i, p in _numbered(points):
        if not (0 <= p.raw <= FULL_SCALE and 0 <= p.noise <= FULL_SCALE):
            raise InputError(f"point {i}: {p.raw:g} counts with noise {p.noise:g}, both must be 0 to {FULL_SCALE}")
    # The body must hold all of the shaft that slides in, so a damper is never shorter than its stroke.
    if extended_mm < 2 * stroke_mm:
        raise InputError(
            f"full extension: {text_of(extended_mm)} is less than twice the stroke of {text_of(stroke_mm)}, which no "
            "damper can be; measure centre of eye to centre of eye, or correct stroke_mm of the profile"
        )


def _check_rails(points: Sequence[TapePoint]) -> None:
    for i, p in _numbered(points):
        if p.raw - 3 * p.noise <= RAIL_COUNTS or p.raw + 3 * p.noise >= FULL_SCALE - RAIL_COUNTS:
            raise InputError(
                f"point {i}: {p.raw:.0f} counts with noise {p.noise:.0f} is at the sensor's end (0 or {FULL_SCALE}); "
                "check plug and wiring, or mount the sensor so that it has travel left there"
            )


def _check_cover(travels_mm: NDArray[np.float64], stroke_mm: float, text_of: Callable[[float], str]) -> None:
    if not len(travels_mm):
        raise InputError(f"no points; at least {LEAST_POINTS[LINE]} are needed")
    for i, travel_mm in enumerate(travels_mm, start=1):
        if travel_mm < -BEYOND_MM:
            raise InputError(
                f"point {i} is {text_of(-travel_mm)} longer than full extension; "
                f"measure point {i} again, or the length at full extension"
            )
        if travel_mm > stroke_mm + BEYOND_MM:
            raise InputError(
                f"point {i} is {text_of(travel_mm - stroke_mm)} beyond full bump; "
                f"measure point {i} again, or the length at full extension, or correct stroke_mm of the profile"
            )
    span_mm = float(np.ptp(travels_mm))
    if span_mm < LEAST_COVER * stroke_mm:
        raise InputError(
            f"the points span {text_of(span_mm)} of {text_of(stroke_mm)} stroke, {100 * span_mm / stroke_mm:.0f} %; "
            f"at least {100 * LEAST_COVER:.0f} % is needed: add one on stands at droop or one loaded"
        )


def _check_places(places: _Places, method: str) -> None:
    least = LEAST_POINTS[method]
    if len(places.raw) >= least:
        return
    same = [members for members in places.members if len(members) > 1]
    twice = f" (points {' and '.join(str(i + 1) for i in same[0])} are one place)" if same else ""
    raise InputError(
        f"{len(places.raw)} different places{twice}, method {method} needs {least}; "
        f"measure at {least - len(places.raw)} more"
    )


def _check_sensor(places: _Places, stroke_mm: float, text_of: Callable[[float], str]) -> None:
    sensor_mm = float(np.ptp(places.travel_mm) / np.ptp(places.raw)) * FULL_SCALE
    low, high = SENSOR_RANGE
    if sensor_mm < low * stroke_mm:
        raise InputError(
            f"by these points the sensor would reach its ends within {text_of(sensor_mm)}, too short for a stroke of "
            f"{text_of(stroke_mm)}; check the unit of the lengths, stroke_mm of the profile and how it is mounted"
        )
    if sensor_mm > high * stroke_mm:
        raise InputError(
            f"by these points the whole range of counts would be {text_of(sensor_mm)}, {sensor_mm / stroke_mm:.0f} "
            f"times the stroke of {text_of(stroke_mm)}; check that these are this damper's counts, the unit of the "
            "lengths and the input's range"
        )


def _group(points: Sequence[TapePoint], travels_mm: NDArray[np.float64]) -> _Places:
    """Average points whose counts differ by less than SAME_MM is worth."""
    raw = np.array([p.raw for p in points])
    span = float(np.ptp(raw))
    # Fewer counts than this over 40 % of a stroke would be a sensor of a hundred strokes.
    if span < RAIL_COUNTS:
        raise InputError(
            f"the counts hardly change, {raw.min():.0f} to {raw.max():.0f}, while the length does; check that this "
            "is the damper's own sensor, that it is plugged in and that its rod is fixed"
        )
    same = SAME_MM * span / float(np.ptp(travels_mm))
    groups: list[list[int]] = []
    for i in np.argsort(raw, kind="stable"):
        if groups and raw[i] - raw[groups[-1][0]] < same:
            groups[-1].append(int(i))
        else:
            groups.append([int(i)])
    return _Places(
        np.array([raw[g].mean() for g in groups]),
        np.array([travels_mm[g].mean() for g in groups]),
        tuple(tuple(sorted(g)) for g in groups),
    )


# -- the two methods ------------------------------------------------------------------------------


def _fit_line(places: _Places, raw: NDArray[np.float64]) -> _Shape:
    """Least squares, each place once: a tape read twice by one person isn't twice as good."""
    x, y = places.raw, places.travel_mm
    centre, middle = float(x.mean()), float(y.mean())
    away = x - centre
    slope = float(away @ (y - middle) / (away @ away))
    zero = middle - slope * centre
    calibration = ((0.0, zero), (float(FULL_SCALE), zero + slope * FULL_SCALE))
    leverage = 1 / len(x) + away**2 / (away @ away)
    return _Shape(calibration, zero + slope * raw, leverage, len(x) - 2)


def _fit_curve(places: _Places, raw: NDArray[np.float64], text_of: Callable[[float], str]) -> _Shape:
    """Straight pieces through the places; residuals are those to a cubic, since pieces leave none."""
    x, y = places.raw, places.travel_mm
    steps_mm = np.diff(y) * np.sign(y[-1] - y[0])
    for k in np.flatnonzero(steps_mm < LEAST_STEP_MM):
        first, second = places.members[k][0] + 1, places.members[k + 1][0] + 1
        how = f"only {text_of(steps_mm[k])} apart" if steps_mm[k] > 0 else f"{text_of(-steps_mm[k])} the wrong way"
        raise InputError(
            f"points {first} and {second}: counts go from {x[k]:.0f} to {x[k + 1]:.0f}, lengths are {how}; "
            f"measure points {first} and {second} again, at least {text_of(LEAST_STEP_MM)} apart"
        )

    def columns(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.vander((2 * at - x[0] - x[-1]) / (x[-1] - x[0]), _CURVE_DEGREE + 1)

    basis, rest = np.linalg.qr(columns(x))
    factors = np.linalg.solve(rest, basis.T @ y)
    calibration = tuple((float(a), float(b)) for a, b in zip(x, y, strict=True))
    return _Shape(calibration, columns(raw) @ factors, (basis**2).sum(axis=1), len(x) - _CURVE_DEGREE - 1)


# -- what the fit is worth ------------------------------------------------------------------------


def _judge(
    method: str,
    shape: _Shape,
    points: Sequence[TapePoint],
    places: _Places,
    travels_mm: NDArray[np.float64],
    stroke_mm: float,
    text_of: Callable[[float], str],
) -> TravelFit:
    residuals_mm = travels_mm - shape.smooth_mm
    worst = _find_worst(shape, places, residuals_mm)
    _check_residuals(method, residuals_mm, worst, len(places.raw), text_of)
    x, y = places.raw, places.travel_mm
    slope = float((y[-1] - y[0]) / (x[-1] - x[0]))
    if method == LINE:
        (raw0, mm0), (raw1, mm1) = shape.calibration
        slope = (mm1 - mm0) / (raw1 - raw0)
    sigma_mm = _sigma_mm(shape, points, places, residuals_mm, slope)
    span_mm = float(y.min()), float(y.max())
    scale, local, ends_mm = _uncertainties(method, sigma_mm, shape.calibration, x, y, stroke_mm)
    fit = TravelFit(
        method=method,
        calibration=shape.calibration,
        mm_per_count=slope,
        travels_mm=tuple(float(v) for v in travels_mm),
        residuals_mm=tuple(float(v) for v in residuals_mm),
        worst=worst,
        places_count=len(x),
        span_mm=span_mm,
        beyond_mm=(max(0.0, span_mm[0]), max(0.0, stroke_mm - span_mm[1])),
        scale_uncertainty_ratio=scale,
        local_uncertainty_ratio=local,
        end_uncertainties_mm=ends_mm,
    )
    return _with_notes(fit, stroke_mm, text_of)


def _find_worst(shape: _Shape, places: _Places, residuals_mm: NDArray[np.float64]) -> int:
    """Return the point whose place lowers the sum of squares most when left out, r^2 / (1 - h) (textbook).

    With three places that is the same for all, so the largest residual is named.
    """
    of_place = np.array([np.abs(residuals_mm[list(members)]).max() for members in places.members])
    if shape.freedom > 1:
        of_place = of_place / np.sqrt(np.maximum(1 - shape.leverage, 1e-9))
    return max(places.members[int(np.argmax(of_place))], key=lambda i: abs(residuals_mm[i]))


def _check_residuals(
    method: str, residuals_mm: NDArray[np.float64], worst: int, places_count: int, text_of: Callable[[float], str]
) -> None:
    if float(np.abs(residuals_mm).max()) <= REFUSE_MM:
        return
    tie = ", and add a fourth: with three any of them may be the wrong one" if places_count == 3 else ""
    other = (
        f"; if it stays, the sensor isn't linear: {LEAST_POINTS[CURVE]} points and method {CURVE}"
        if method == LINE
        else "; if it stays, look for play in the linkage"
    )
    off = _off_text(method, residuals_mm, worst, text_of)
    raise InputError(f"{off}, at most {text_of(REFUSE_MM)} is taken; measure point {worst + 1} again{tie}{other}")


def _off_text(
    method: str, residuals_mm: Sequence[float] | NDArray[np.float64], worst: int, text_of: Callable[[float], str]
) -> str:
    """Return what is off and by how much; where an outer point bends the line, another lies farthest from it."""
    sizes_mm = [abs(float(r)) for r in residuals_mm]
    farthest = sizes_mm.index(max(sizes_mm))
    why = "" if farthest == worst else f" and point {worst + 1} bends it most"
    return f"point {farthest + 1} is {text_of(sizes_mm[farthest])} off the {method}{why}"


def _sigma_mm(
    shape: _Shape,
    points: Sequence[TapePoint],
    places: _Places,
    residuals_mm: NDArray[np.float64],
    slope: float,
) -> float:
    """Return the standard deviation of one place [mm]: the tape's and the noise's, or what the residuals show if more.

    The noise isn't divided by the number of samples, since hum and a settling vehicle don't average out.
    """
    noise_mm = abs(slope) * max(p.noise for p in points)
    of_place = np.array([residuals_mm[list(members)].mean() for members in places.members])
    shown_mm = math.sqrt(float(of_place @ of_place) / shape.freedom)
    return max(math.hypot(TAPE_SIGMA_MM, noise_mm), shown_mm)


def _uncertainties(
    method: str,
    sigma_mm: float,
    calibration: tuple[tuple[float, float], ...],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    stroke_mm: float,
) -> tuple[float, float, tuple[float, float]]:
    """Return 95 % of the scale, of the scale between neighbours, and of travel at both ends [mm].

    The length at full extension is read off a tape, too, and shifts all of travel.
    """
    ends = [find_raw(calibration, travel_mm) for travel_mm in (0.0, stroke_mm)]
    if method == LINE:
        away = x - x.mean()
        sxx = float(away @ away)
        slope = (calibration[1][1] - calibration[0][1]) / FULL_SCALE
        scale = local = COVERAGE * sigma_mm / (abs(slope) * math.sqrt(sxx))
        weights = [1 / len(x) + (end - float(x.mean())) ** 2 / sxx for end in ends]
    else:
        scale = COVERAGE * sigma_mm * math.sqrt(2) / abs(float(y[-1] - y[0]))
        local = COVERAGE * sigma_mm * math.sqrt(2) / float(np.abs(np.diff(y)).min())
        weights = [_curve_weight(x, end) for end in ends]
    at_ends = tuple(COVERAGE * math.sqrt(sigma_mm**2 * w + TAPE_SIGMA_MM**2) for w in weights)
    return scale, local, (at_ends[0], at_ends[1])


def _curve_weight(x: NDArray[np.float64], at: float) -> float:
    """Return the variance at one place of straight pieces, in units of a point's: (1 - u)^2 + u^2."""
    piece = int(np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2))
    u = float((at - x[piece]) / (x[piece + 1] - x[piece]))
    return (1 - u) ** 2 + u**2


def _with_notes(fit: TravelFit, stroke_mm: float, text_of: Callable[[float], str]) -> TravelFit:
    notes = []
    if fit.is_reversed:
        notes.append("the counts fall as the damper is compressed: wired or mounted the other way round, allowed for")
    if max(abs(r) for r in fit.residuals_mm) > DOUBT_MM:
        off = _off_text(fit.method, fit.residuals_mm, fit.worst, text_of)
        notes.append(f"{off}, more than a tape explains: measure point {fit.worst + 1} again")
    for beyond_mm, end in zip(fit.beyond_mm, ("full extension", "full bump"), strict=True):
        if beyond_mm > SAME_MM:
            notes.append(f"the last {text_of(beyond_mm)} to {end} were not measured: the {fit.method} goes on straight")
    for travel_mm, end in ((0.0, "full extension"), (stroke_mm, "full bump")):
        raw = find_raw(fit.calibration, travel_mm)
        lost_mm = max(-raw, raw - FULL_SCALE) * _end_slope(fit.calibration, raw)
        if lost_mm > 0:
            notes.append(
                f"the sensor reaches its end {text_of(lost_mm)} before {end}, or the scale is that wrong: travel there "
                "would not be seen. Mount the sensor so that it has travel left"
            )
    return replace(fit, notes=tuple(notes))


def _end_slope(calibration: tuple[tuple[float, float], ...], raw: float) -> float:
    """Return mm for each count beyond the end that `raw` is at."""
    (raw0, mm0), (raw1, mm1) = calibration[:2] if raw < calibration[0][0] else calibration[-2:]
    return abs((mm1 - mm0) / (raw1 - raw0))


def _numbered(points: Sequence[TapePoint]) -> enumerate[TapePoint]:
    return enumerate(points, start=1)
