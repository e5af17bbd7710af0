"""Simulated makers: patterns with computed coefficients, a truth that differs, and a firing of three of them.

Computed coefficients are of the size of published fits, each pattern with a best depth of its own. The truth
adds a discrepancy that patterns share and one of each pattern, in level and, by half of that, in slopes over
S, ln Re and depth, and a bend over S that the model of the discrepancy has no term for. Sizes are those by
which published balls differ: 0.02 in Cd, 0.03 in Cl.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.aero.correction import correct
from pipeline.aero.discrepancy import MIDDLE, columns
from pipeline.aero.table import CoefficientTable, TableBatch, padded
from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.shelf.ball import ShelfBall, level_modes

REYNOLDS, SPIN_RATIO = np.geomspace(6.5e4, 2.2e5, 8), np.linspace(0.03, 0.40, 9)
DEPTHS = np.array([1.2e-4, 1.5e-4, 1.8e-4, 2.2e-4, 2.6e-4])
SHOT = Launches(70.0, np.radians(11.0), 2700 * np.pi / 30)
STILL = Conditions(0.04267, 0.04593, air_from(293.15, 101325.0, 0.5))
PATTERNS, FIRED, DRAWS = 8, 3, 100
LIFT = 0.2
"""Lift at which 0.03 in Cl is 15 %."""
ERROR_CD, ERROR_CL, OFFSET_CD, OFFSET_LIFT = 0.002, 0.004, 0.003, 0.02
"""Errors of level of each fired ball, and of the range."""


def carry(tables):
    batch = TableBatch.of(tables)
    return fly(batch, np.arange(len(batch)), SHOT, STILL).carry_m


@dataclass
class ComputedPattern:
    """Stands for a coefficient model: tripped all round, computed at `DEPTHS`."""

    pattern: str
    drag: float
    lift: float
    best: float
    rise: float
    fall: float

    depth_m, studied_reynolds, studied_spin_ratio = DEPTHS, REYNOLDS, SPIN_RATIO
    finer_mesh = False

    def at(self, depth):
        re, s = np.meshgrid(REYNOLDS, SPIN_RATIO, indexing="ij")
        off = (depth - self.best) / 1e-4
        cd = 0.235 + self.drag + 0.2 * s + 0.3 * s**2 - 0.01 * np.log(re / 1.3e5) + self.rise * off**2
        cl = 0.45 * s**0.45 * (1 + self.lift) * (1 - self.fall * (depth - 2e-4) / 1e-4)
        return cd, cl

    def tables(self, depths):
        return [CoefficientTable(REYNOLDS, SPIN_RATIO, *self.at(depth)) for depth in depths]

    def untripped(self, depth, re, s):
        return np.zeros(np.broadcast_shapes(np.shape(re), np.shape(s)))


class Outcome(NamedTuple):
    """Of one maker: root mean square error of the carry of patterns not fired, computed and corrected [m],
    share of them in 90 % intervals (NaN where not corrected), carry lost by the pattern and depth named, and
    whether it was applied to them."""

    before_m: float
    after_m: float
    held: float
    lost_before_m: float
    lost_after_m: float
    applied: bool


def one_maker(seed, shared, own):
    """Simulate a maker; `shared` and `own` are sizes of the discrepancy, shares of 0.02 in Cd, 0.03 in Cl."""
    rng = np.random.default_rng([seed, 16])
    patterns = [
        ComputedPattern(
            f"p{k}", rng.normal(0, 0.004), rng.normal(0, 0.05), rng.uniform(1.4e-4, 2.4e-4),
            rng.uniform(0.006, 0.014), rng.uniform(0.03, 0.08),
        )
        for k in range(PATTERNS)
    ]  # fmt: skip
    size = np.array([0.02, 0.03 / LIFT])
    slopes = np.array([1.0, 0.5, 0.5, 0.5])

    def part(share):
        return share * size[:, None] * slopes * rng.normal(size=(2, 4)), share * size * 0.2 * rng.normal(
            size=2
        )

    common, common_bend = part(shared)
    truth = {}
    re, s = np.meshgrid(REYNOLDS, SPIN_RATIO, indexing="ij")
    for of in patterns:
        mine, bend = part(own)
        for depth in DEPTHS:
            cd, cl = of.at(depth)
            off = np.tensordot(common + mine, columns(depth, re, s), axes=(1, -1))
            off += (common_bend + bend)[:, None, None] * ((s - MIDDLE[0]) / 0.1) ** 2 / 4
            truth[of.pattern, depth] = CoefficientTable(
                REYNOLDS, SPIN_RATIO, np.clip(cd + off[0], 0.1, 1.0), cl * np.exp(np.clip(off[1], -1, 1))
            )
    keys = list(truth)
    true = carry(list(truth.values()))
    computed_tables = [table for of in patterns for table in of.tables(DEPTHS)]
    computed = carry(computed_tables)
    best = computed.reshape(PATTERNS, -1).argmax(axis=1)
    order = np.argsort(-computed.reshape(PATTERNS, -1).max(axis=1))
    balls = []
    offset = np.array([OFFSET_CD, OFFSET_LIFT]) * rng.normal(size=2)
    for k in order[:FIRED]:
        for step in (0, 1 if best[k] < 2 else -2):  # the best depth, and one two steps or one apart
            depth = DEPTHS[best[k] + step]
            of = truth[f"p{k}", depth]
            error = rng.normal(size=2) * (ERROR_CD, ERROR_CL)
            shape = of.cd.shape
            table = CoefficientTable(
                REYNOLDS, SPIN_RATIO, np.clip(of.cd + offset[0] + error[0], 0.05, 2.0),
                of.cl * np.exp(offset[1]) + error[1],
                cd_se=np.full(shape, ERROR_CD), cl_se=np.full(shape, ERROR_CL),
            )  # fmt: skip
            inside = (re > 7.5e4) & (s > 0.05) & (s < 0.3)
            balls.append(
                ShelfBall(
                    f"p{k}-{1e6 * depth:.0f}um", "measured", table, inside, level_modes(table), f"p{k}",
                    float(depth), "range",
                )
            )  # fmt: skip
    correction = correct({of.pattern: of for of in patterns}, balls, carry)
    return _judged(patterns, order, keys, true, computed, computed_tables, correction, seed)


def _judged(patterns, order, keys, true, computed, tables, correction, seed):
    re, s = np.meshgrid(REYNOLDS, SPIN_RATIO, indexing="ij")
    parameters = correction.discrepancy.draws(DRAWS, seed)
    draws, mean = np.empty((len(keys), DRAWS)), np.empty(len(keys))
    for number, ((pattern, depth), table) in enumerate(zip(keys, tables, strict=True)):
        at = columns(depth, re, s)
        shift = correction.discrepancy.of_parameters(pattern, at, parameters)
        shift = np.concatenate([correction.discrepancy.mean_at(pattern, at)[:, None], shift], axis=1)
        cd, cl = np.clip(table.cd + shift[0], 0.05, 3.0), table.cl * np.exp(shift[1])
        batch = padded(REYNOLDS, SPIN_RATIO, np.stack([cd, cl, 0 * cd], axis=-1), False)
        flown = fly(batch, np.arange(len(batch)), SHOT, STILL).carry_m
        mean[number], draws[number] = flown[0], flown[1:]
    fired = {f"p{k}" for k in order[:FIRED]}
    out = np.array([pattern not in fired for pattern, _ in keys])
    corrected = np.where(correction.for_all | (correction.applied & ~out), mean, computed)
    low, high = np.quantile(draws[out], [0.05, 0.95], axis=1)
    held = ((low < true[out]) & (true[out] < high)).mean()
    return Outcome(
        float(np.sqrt(np.mean((computed - true)[out] ** 2))),
        float(np.sqrt(np.mean((corrected - true)[out] ** 2))),
        float(held) if correction.for_all else np.nan,
        float(true.max() - true[computed.argmax()]),
        float(true.max() - true[corrected.argmax()]),
        correction.for_all,
    )
