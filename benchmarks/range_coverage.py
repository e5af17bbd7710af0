"""How often 90 % intervals of Cd, Cl and carry from simulated firings hold the truth: RANGES SEED, as CSV.

Six balls, six shots a condition, spin known to 15 rpm, shots of a ball scattering by 0.002.
"""

import sys
import time

import numpy as np

from pipeline.aero.table import padded
from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.range.invented import Gates, Kind, Programme, Scatter, quoted_ball, screens, short_baselines
from pipeline.range.reduce import reduce
from pipeline.range.simulate import simulate

AS_GATES = Scatter(ball_cd=0.004, ball_cl=0.005)
"""Balls scatter as much as the gates of one shot over short baselines let Cd and Cl scatter."""

DESIGNS: dict[str, tuple[Gates, Scatter]] = {
    "screens, 2 us": (screens(), Scatter()),
    "screens, 1 mm": (screens(), Scatter(time_s=0.0, position_m=1e-3)),
    "screens, bad gates": (screens(), Scatter(bad_gates=0.02)),
    "screens, balls scatter": (screens(), AS_GATES),
    "baselines, 2 us": (short_baselines(), Scatter()),
    "baselines, balls scatter, bad gates": (
        short_baselines(),
        Scatter(ball_cd=0.004, ball_cl=0.005, bad_gates=0.02),
    ),
}
POINTS = np.array([0.9e5, 1.3e5, 1.9e5]), np.array([0.20, 0.14, 0.09])
NODES = np.geomspace(0.75e5, 2.2e5, 12), np.linspace(0.04, 0.36, 12)
LAUNCH = Launches(70.0, np.radians(11.0), 2700 * np.pi / 30)
CONDITIONS = Conditions(0.04267, 0.04593, air_from(293.15, 101325.0, 0.5))


def carry(cd: np.ndarray, cl: np.ndarray) -> np.ndarray:
    """Carry of each of many balls whose coefficients are given at the nodes, shape (n,) [m]."""
    values = np.stack([np.maximum(cd, 0.05), cl, 0 * cd], axis=-1).reshape(-1, 12, 12, 3)
    return fly(padded(*NODES, values, False), np.arange(len(values)), LAUNCH, CONDITIONS).carry_m


def main(ranges: int, first: int) -> None:
    re, s = (of.ravel() for of in np.meshgrid(*NODES, indexing="ij"))
    true = np.concatenate([*quoted_ball(*POINTS, np.nan)])
    true_carry = carry(*(of[None] for of in quoted_ball(re, s, np.nan)))[0]
    print("design,ranges,cd_held,cl_held,carry_held,carry_error_m,carry_interval_m,cpu_s")
    for name, (gates, scatter) in DESIGNS.items():
        held, error, width = [], [], []
        began = time.process_time()
        for seed in range(first, first + ranges):
            firings = simulate(
                [Kind("quoted", quoted_ball, balls=6)], gates, Programme(shots=1), scatter, seed
            )
            reduction = reduce(firings)
            draws = reduction.common.draws(400, 1)
            found = np.concatenate(reduction.coefficients(0, *POINTS, parameters=draws), axis=1)
            carries = carry(*reduction.coefficients(0, re, s, parameters=draws))
            low, high = np.quantile(np.c_[found, carries], [0.05, 0.95], axis=0)
            held.append((low < np.r_[true, true_carry]) & (np.r_[true, true_carry] < high))
            error.append(np.median(carries) - true_carry)
            width.append(high[-1] - low[-1])
        of = np.mean(held, axis=0)
        print(
            f'"{name}",{ranges},{of[:3].mean():.3f},{of[3:6].mean():.3f},{of[6]:.3f},{np.std(error):.2f},'
            f"{np.mean(width):.2f},{(time.process_time() - began) / ranges:.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (300, 0))
