"""Design of a firing: speeds, spins, balls and shots that determine differences of carry to a wanted error.

Speeds and spins are those that flights pass through. How many balls are needed is found by simulating the
range, reducing it, and taking the error of the difference in carry to a reference ball that the reduction
states; more ranges of the size found then check what it states against the truth.
"""

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.arrays import FloatArray
from pipeline.files.atomic import write_text
from pipeline.flight.trajectory import Conditions, Launches, fly, path
from pipeline.range.firings import headings
from pipeline.range.invented import Coefficients, Gates, Kind, Programme, Scatter
from pipeline.range.reduce import reduce
from pipeline.range.results import CAUTION
from pipeline.range.simulate import simulate
from pipeline.range.tables import pattern_table, region_of
from pipeline.range.terms import CANDIDATES, design

BALLS = (2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24)
"""Balls of each kind that are tried, fewest first."""

SPEEDS, SPIN_SHARES = (0.02, 0.35, 0.65, 0.98), (0.6, 1.0, 1.4)
"""Shares of the flights' time that the speeds are quantiles of, and shares of their mean spin."""

SLOWEST_M_S, FASTEST_M_S = 20.0, 90.0
DRAWS = 200


@dataclass(frozen=True)
class Candidate:
    """A ball to be fired: its name, its depth [m] (NaN where not known) and its present coefficients."""

    name: str
    depth_m: float
    table: CoefficientTable


@dataclass(frozen=True, eq=False)
class Plan:
    """A firing that was designed.

    Attributes
    ----------
    programme : Programme
        Speeds, spins, shots of a ball at each.
    balls : int
        Balls of each kind, the reference too.
    se_m : dict
        Standard error of each candidate's difference in carry to the reference that the reduction will state.
    found_m : dict
        Root mean square error of that difference in the ranges that checked it.
    reached : bool
        Whether the wanted error is reached.
    order : list of tuple
        Shots in the order of firing: block, ball, kind, speed [m/s], spin [rad/s].
    """

    programme: Programme
    balls: int
    se_m: dict[str, float]
    found_m: dict[str, float]
    reached: bool
    order: list[tuple[int, str, str, float, float]]


def programme_of(tables: Sequence[CoefficientTable], launches: Launches, conditions: Conditions) -> Programme:
    """Speeds and spins that flights of the tables pass through, one shot of a ball at each."""
    speeds, spins = [], []
    for row in launches.as_array():
        for table in tables:
            track = path(table, Launches(*row), conditions)
            speeds.append(np.linalg.norm(track.velocity_m_s, axis=1))
            spins.append(track.spin_rad_s)
    speed = np.clip(np.quantile(np.concatenate(speeds), SPEEDS), SLOWEST_M_S, FASTEST_M_S)
    spin = float(np.concatenate(spins).mean()) * np.array(SPIN_SHARES)
    return Programme(tuple(np.round(speed, 1).tolist()), tuple(spin.tolist()), 1)


def plan(
    reference: Candidate,
    candidates: Sequence[Candidate],
    gates: Gates,
    scatter: Scatter,
    launches: Launches,
    conditions: Conditions,
    wanted_m: float,
    seed: int,
    checks: int = 12,
    progress: Callable[[float], None] = lambda share: None,
) -> Plan:
    """Design a firing.

    Parameters
    ----------
    reference : Candidate
        Ball that the others are compared with.
    candidates : sequence of Candidate
        Prototypes.
    gates : Gates
        The range.
    scatter : Scatter
        Errors of the range, and scatter of balls and shots that is expected.
    launches, conditions
        What is flown: the carry is the mean of the launches.
    wanted_m : float
        Standard error of each difference in carry [m].
    seed : int
        Of the simulations and of the order.
    checks : int
        Ranges that check what is stated.
    progress : callable
        Called with the share done.

    Returns
    -------
    Plan
        With the fewest balls that reach the error, or the most that were tried.
    """
    every = [reference, *candidates]
    programme = programme_of([of.table for of in every], launches, conditions)
    smooth = {of.name: _smooth(of.table, programme, conditions) for of in every}

    def tried(balls: int, seed: int) -> dict[str, _Difference]:
        kinds = [Kind(of.name, smooth[of.name], of.depth_m, balls) for of in every]
        return _differences(kinds, gates, programme, scatter, launches, conditions, seed)

    for place, balls in enumerate(BALLS):
        found = [tried(balls, seed + k) for k in range(2)]
        progress(0.5 * (place + 1) / len(BALLS))
        se = {of.name: float(np.mean([one[of.name].se_m for one in found])) for of in candidates}
        if max(se.values()) <= wanted_m:
            break
    errors: dict[str, list[float]] = {of.name: [] for of in candidates}
    for check in range(checks):
        for name, one in tried(balls, seed + 100 + check).items():
            errors[name].append(one.found_m - one.true_m)
        progress(0.5 + 0.5 * (check + 1) / checks)
    rms = {name: float(np.sqrt(np.mean(np.square(off)))) for name, off in errors.items()}
    order = _order(every, balls, programme, np.random.default_rng(seed))
    return Plan(programme, balls, se, rms, max(se.values()) <= wanted_m, order)


def _smooth(table: CoefficientTable, programme: Programme, conditions: Conditions) -> Coefficients:
    """A table as the reduction's terms see it, by least squares over the programme's conditions.

    The reduction cannot follow the kinks of a coarse table; no ball has any.
    """
    speed = np.geomspace(0.85 * min(programme.speed_m_s), max(programme.speed_m_s), 12)
    spin = np.linspace(min(programme.spin_rad_s), max(programme.spin_rad_s), 12)
    v, w = (of.ravel() for of in np.meshgrid(speed, spin))
    re = v * conditions.ball_diameter_m / conditions.air.kinematic_viscosity_m2_s
    s = w * conditions.ball_diameter_m / (2.0 * v)
    at = table.at(re, s)
    terms = [[term for term in CANDIDATES[of] if not term.depth] for of in ("cd", "cl")]
    fits = [
        np.linalg.lstsq(design(of, re, s), value, rcond=None)[0]
        for of, value in zip(terms, (at.cd, at.cl), strict=True)
    ]

    def coefficients(
        reynolds: FloatArray, spin_ratio: FloatArray, depth_m: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        cd, cl = (design(of, reynolds, spin_ratio) @ fit for of, fit in zip(terms, fits, strict=True))
        return cd, cl

    return coefficients


class _Difference(NamedTuple):
    """Difference in carry to the reference in one range: found, its standard error, and the truth [m]."""

    found_m: float
    se_m: float
    true_m: float


def _differences(
    kinds: Sequence[Kind], gates: Gates, programme: Programme, scatter: Scatter, launches: Launches,
    conditions: Conditions, seed: int,
) -> dict[str, _Difference]:  # fmt: skip
    """Differences in carry of all kinds to the first, in one simulated range."""
    reduction = reduce(simulate(kinds, gates, programme, replace(scatter, depth_m=0.0), seed))
    draws = reduction.common.draws(DRAWS, 1)
    truth = {kind.pattern: kind.coefficients for kind in kinds}
    carry, true = {}, {}
    for pattern, name in enumerate(reduction.data.patterns):
        of = pattern_table(reduction, pattern, draws)
        carry[name] = _carry(of.draws, launches, conditions)
        re, s = of.table.reynolds, of.table.spin_ratio
        near_re, near_s, _ = region_of(reduction, pattern).nearest(re[:, None], s[None, :])
        cd, cl = truth[name](near_re.ravel(), near_s.ravel(), np.full(near_re.size, np.nan))
        table = CoefficientTable(re, s, cd.reshape(near_re.shape), cl.reshape(near_re.shape))
        true[name] = float(_carry(TableBatch.of([table]), launches, conditions)[0])
    first = kinds[0].pattern
    return {
        name: _Difference(
            float((of - carry[first]).mean()), float((of - carry[first]).std()), true[name] - true[first]
        )
        for name, of in carry.items()
        if name != first
    }


def _carry(tables: TableBatch, launches: Launches, conditions: Conditions) -> FloatArray:
    """Mean carry of the launches with each table, shape (tables,) [m]."""
    each = [
        fly(tables, np.arange(len(tables)), Launches(*row), conditions).carry_m for row in launches.as_array()
    ]
    return np.asarray(np.mean(each, axis=0))


def _order(
    every: Sequence[Candidate], balls: int, programme: Programme, rng: np.random.Generator
) -> list[tuple[int, str, str, float, float]]:
    """Randomised blocks: every ball once at one condition, a reference ball first and another one last."""
    settings = [
        (v, w) for v in programme.speed_m_s for w in programme.spin_rad_s for _ in range(programme.shots)
    ]
    order = []
    for block, place in enumerate(rng.permutation(len(settings)).tolist(), start=1):
        references = [(f"{every[0].name}-{k + 1}", every[0].name) for k in rng.permutation(balls).tolist()]
        others = [(f"{of.name}-{k + 1}", of.name) for of in every[1:] for k in range(balls)] + references[2:]
        inner = [others[k] for k in rng.permutation(len(others)).tolist()]
        for ball, kind in (references[0], *inner, references[1]):
            order.append((block, ball, kind, *settings[place]))
    return order


def write_empty_firings(file: Path, of: Plan, gates: Gates, depths_m: dict[str, float]) -> None:
    """Write the CSV to fill in: one row a shot and gate in the order of firing, measurements empty."""
    columns = headings()
    stream = io.StringIO()
    stream.write(f"# {CAUTION}\n")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*columns, "x_block", "x_set_speed_m_s", "x_set_spin_rpm"])
    for shot, (block, ball, kind, speed, spin) in enumerate(of.order, start=1):
        depth = depths_m[kind]
        for gate, (at, slant) in enumerate(zip(gates.position_m, gates.slant_rad, strict=True), start=1):
            row = dict.fromkeys(columns, "")
            row |= {"shot": str(shot), "ball": ball, "pattern": kind, "gate": f"G{gate}"}
            row |= {"position_m": f"{at:g}", "slant_deg": f"{np.degrees(slant):g}"}
            row["depth_mm"] = "" if np.isnan(depth) else f"{1e3 * depth:.4g}"
            writer.writerow([*row.values(), block, f"{speed:g}", f"{spin * 30 / np.pi:.0f}"])
    write_text(file, stream.getvalue())
