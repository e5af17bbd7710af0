"""Depths to compute next: the greatest expected gain of carry for the core hours (knowledge gradient)."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from pipeline.aero.model import CoefficientModel
from pipeline.aero.table import CoefficientTable
from pipeline.arrays import FloatArray
from pipeline.decide.depths import shallowest_depths
from pipeline.decide.flights.conditions import SEED, conditions_of, scenarios_of
from pipeline.decide.flights.golfer import draw_shots
from pipeline.decide.flights.models import models_of
from pipeline.decide.flights.population import DRAWS, SHOTS, flight_depths, fly_pattern
from pipeline.decide.flights.station import stated_errors
from pipeline.decide.product import product
from pipeline.decide.value import DepthValues, depth_values
from pipeline.errors import InputError
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.flow.campaign.cost import cells, core_seconds
from pipeline.flow.campaign.unresolved import ranked_as
from pipeline.records.decision import NextDepth, Unresolved
from pipeline.study.model import Pattern, Study

CLOSEST_M = 8e-6
"""Depths nearer than this to one that was computed are not proposed [m]."""

SHALLOWEST_M, DEEPEST_M = 1e-5, 2e-3
"""Depths outside are not proposed: a study file does not take them [m]."""

WORTHLESS_M = 0.05
"""Depths whose runs are expected to gain less carry than this are not proposed [m]."""

_NOISE_DRAWS = 200
_OUTCOMES = 2000


def worth_computing(offer: NextDepth) -> bool:
    """Whether enough carry is expected to be gained to propose a depth."""
    return offer.gain_m >= WORTHLESS_M


def next_depths(
    study: Study,
    coefficients: pd.DataFrame,
    unresolved: Sequence[Unresolved] = (),
    models: Mapping[str, CoefficientModel] | None = None,
    draws: int = DRAWS,
) -> list[NextDepth]:
    """Rank the depths that could be computed next.

    Parameters
    ----------
    study : Study
        Patterns, golfers, flow.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    unresolved : sequence of Unresolved
        Pairs of patterns that the mesh does not resolve; only the first of each is offered.
    models : mapping, optional
        By pattern, fitted to them; fitted here when absent.
    draws : int
        Draws of the coefficients that the gain is computed from.

    Returns
    -------
    list of NextDepth
        The middle of every two neighbouring depths and one step beyond both ends of every pattern, the most
        gain for a core hour first. The gain is the expectation, over what the runs may show, of the greatest
        expected value after them less the greatest one before (the knowledge gradient), by the joint draws of
        the carry: Frazier, Powell & Dayanik 2009, INFORMS J. Comput. 21:599-613 [memory], for several
        correlated observations at once.

    Raises
    ------
    InputError
        No pattern has two depths with usable runs, or no golfer has a weight.
    """
    fitted = models_of(study, coefficients).models if models is None else models
    models = {name: model.without_spread() for name, model in fitted.items()}
    golfers = [golfer for golfer in study.golfers if golfer.weight > 0]
    if not golfers:
        raise InputError(f"{study.name}: no golfer has a weight above 0; give one a weight")
    conditions, scenarios = conditions_of(study), scenarios_of(study)
    stated = stated_errors(study, list(models.values()))
    wide: dict[tuple[str, str], DepthValues] = {}
    shallowest = shallowest_depths(study)
    offers: list[tuple[Pattern, float, float | None]] = []
    stands = ranked_as(list(models), unresolved)
    for pattern in study.patterns:
        model = models.get(pattern.name)
        if model is None or model.depth_m.size < 2 or stands[pattern.name] != pattern.name:
            continue
        proposed = _proposed(pattern, model, coefficients, shallowest.get(pattern.name, 0.0))
        offers += [(pattern, depth, angle) for depth, angle in proposed]
        flown, _ = flight_depths(model.depth_m)
        # A proposed middle is flown already, but for rounding; a curve through both would swing wildly.
        new = [depth for depth, _ in proposed if np.abs(flown - depth).min() > 0.25 * CLOSEST_M]
        depths = np.unique(np.concatenate([flown, new]))
        for golfer in golfers:
            shots = draw_shots(golfer, SHOTS, SEED)
            flights = fly_pattern(model, shots, scenarios, draws, SEED, stated, depths)
            finite = np.asarray(np.isfinite(flights.carry_draws_m).all(axis=0))
            if not finite.all() or not np.isfinite(flights.mean.carry_m).all():
                raise InputError(
                    f"{pattern.name}: with some draws of its coefficients a ball does not come down; more "
                    "usable runs are needed before others can be chosen"
                )
            wide[golfer.name, pattern.name] = depth_values(flights, golfer.flight_window, finite, golfer.aim)
    if not offers:
        raise InputError(
            f"{study.name}: no pattern has two depths with usable runs, so that nothing can be chosen from "
            "them; depthline status says why"
        )
    of = product(wide, {golfer.name: golfer.weight for golfer in golfers})
    value = np.concatenate(list(of.value_m.values()))
    drawn = np.concatenate(list(of.value_draws_m.values()))
    depths = np.concatenate(list(of.depth_m.values()))
    names = np.repeat(list(of.depth_m), [grid.size for grid in of.depth_m.values()])
    ends = {name: models[name].depth_m[[0, -1]] for name in of.depth_m}
    lowest, highest = (np.array([ends[name][end] for name in names]) for end in (0, 1))
    # Nobody cuts a depth beyond those computed; one beyond the end that is computed opens the way to it.
    inside = (depths >= lowest - 1e-9) & (depths <= highest + 1e-9)
    before = float(value[inside].max())
    found = []
    for pattern, depth, angle in offers:
        observed, noise = [], []
        for golfer in golfers:
            at = wide[golfer.name, pattern.name]
            observed.append(at.carry_draws_m[int(np.abs(at.depth_m - depth).argmin())])
            noise.append(_noise(study, models[pattern.name], depth, draw_shots(golfer, 1, SEED), conditions))
        low, high = min(depth, ends[pattern.name][0]), max(depth, ends[pattern.name][1])
        open_ = inside | ((names == pattern.name) & (depths >= low - 1e-9) & (depths <= high + 1e-9))
        count = cells(study.flow.fidelity, study.flow.level, pattern.layout.mirror)
        runs = len(study.flow.reynolds) * len(study.flow.spin_ratios)
        found.append(
            NextDepth(
                pattern=pattern.name,
                depth_m=float(depth),
                edge_angle_rad=angle,
                gain_m=expected_gain(value[open_], drawn[open_], np.array(observed), np.array(noise), before),
                runs=runs,
                core_hours=runs
                * core_seconds(study.flow.fidelity, study.flow.level, count, warm=True)
                / 3600.0,
            )
        )
    return sorted(found, key=lambda offer: -offer.gain_per_core_hour)


def expected_gain(
    value_m: FloatArray, draws_m: FloatArray, observed_m: FloatArray, noise_m: FloatArray, before_m: float
) -> float:
    """Knowledge gradient of one observation (of several numbers) of a Gaussian belief that is given by draws.

    Parameters
    ----------
    value_m : ndarray, shape (c,)
        Expected values of the candidates [m].
    draws_m : ndarray, shape (c, k)
        Joint draws of their values [m].
    observed_m : ndarray, shape (o, k)
        The same draws of the numbers observed [m].
    noise_m : ndarray, shape (o,)
        Standard errors of the observation, independent [m].
    before_m : float
        Greatest expected value of the candidates that may be chosen without the observation [m].

    Returns
    -------
    float
        E[max of the expectations after the observation] - `before_m`, from 2000 seeded outcomes; not negative
        [m].
    """
    k = draws_m.shape[1]
    off = draws_m - draws_m.mean(axis=1, keepdims=True)
    seen = observed_m - observed_m.mean(axis=1, keepdims=True)
    covariance = seen @ seen.T / (k - 1) + np.diag(noise_m**2)
    # A golfer whose carry is that of another adds nothing; the pseudo-inverse square root leaves him out.
    size, vectors = np.linalg.eigh(covariance)
    kept = size > 1e-10 * size.max()
    root = vectors[:, kept] / np.sqrt(size[kept])
    moves = (off @ seen.T / (k - 1)) @ root
    outcomes = np.random.default_rng(SEED).standard_normal((int(kept.sum()), _OUTCOMES // 2))
    outcomes = np.concatenate([outcomes, -outcomes], axis=1)  # their mean is exactly zero
    return max(float((value_m[:, None] + moves @ outcomes).max(axis=0).mean()) - before_m, 0.0)


def _proposed(
    pattern: Pattern, model: CoefficientModel, coefficients: pd.DataFrame, shallowest_m: float
) -> list[tuple[float, float | None]]:
    """Depths to ask for, each with its edge angle where the study lists those."""
    known = model.depth_m
    depths = [
        1.5 * known[0] - 0.5 * known[1],
        *(0.5 * (known[:-1] + known[1:])),
        1.5 * known[-1] - 0.5 * known[-2],
    ]
    proposed = [
        round(float(depth), 6)
        for depth in depths
        if max(SHALLOWEST_M, shallowest_m + CLOSEST_M) <= depth <= DEEPEST_M
        and np.abs(known - depth).min() >= CLOSEST_M
    ]
    if pattern.edge_angles_rad is None:
        return [(depth, None) for depth in proposed]
    rows = coefficients[coefficients["pattern"] == pattern.name][["depth_m", "edge_angle_deg"]]
    rows = rows.dropna().drop_duplicates("depth_m").sort_values("depth_m")
    # Edge angle over depth bends little; a straight line through the two nearest serves beyond the ends too.
    found: list[tuple[float, float | None]] = []
    x, y = rows["depth_m"].to_numpy(float), rows["edge_angle_deg"].to_numpy(float)
    for depth in proposed:
        at = int(np.clip(np.searchsorted(x, depth), 1, x.size - 1))
        slope = (y[at] - y[at - 1]) / (x[at] - x[at - 1])
        found.append((depth, float(np.radians(y[at - 1] + slope * (depth - x[at - 1])))))
    return found


def _noise(
    study: Study, model: CoefficientModel, depth_m: float, shot: Launches, conditions: Conditions
) -> float:
    """Standard error of the carry at a new depth, from runs that stop at the study's target errors [m]."""
    whole = model.tables([depth_m])[0]
    nodes = np.array(sorted(study.flow.reynolds)), np.array(sorted(study.flow.spin_ratios))
    at = whole.at(nodes[0][:, None], nodes[1])
    target = study.flow.standard_error
    shape = at.cd.shape
    table = CoefficientTable(
        *nodes, at.cd, at.cl, cd_se=np.full(shape, target.cd), cl_se=np.full(shape, target.cl)
    )
    drawn = table.at_draws(np.random.default_rng(SEED), _NOISE_DRAWS)
    return float(np.nanstd(fly(drawn, np.arange(_NOISE_DRAWS), shot, conditions).carry_m))
