"""Flights a second, and their carry error, against a solve_ivp loop in the same run.

    python benchmarks/bench_flight.py

The other side is written as one would write it well: scalar right-hand side without numpy calls, bilinear
table lookup by bisection in plain lists, adaptive RK45, landing and peak by events. Its tolerance is set so
that its carry error is of the size of ours. Both fly the same kind of shots through the same table from
launch to landing; the reference of both carry errors is a fixed step of 2 ms. The loop runs on one core, ours
on all that it may use; the ratio by processor time is that on one core each.
"""

import bisect
import math
import time

import numpy as np
from scipy.integrate import solve_ivp

from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY, smits_smith_table
from pipeline.aero.table import CoefficientTable, TableBatch
from pipeline.flight.air import STANDARD_GRAVITY_M_S2, air_from
from pipeline.flight.trajectory import TOLERANCE_M_S, Conditions, Launches, fly

MANY, FEW, REPEATS = 100_000, 200, 5
TOLERANCE = 1e-4
CONDITIONS = Conditions(0.0427, 0.0459, air_from(293.15, 101325.0, 0.5))


def shots(n: int, seed: int) -> Launches:
    rng = np.random.default_rng(seed)
    return Launches(
        rng.uniform(50, 80, n),
        np.radians(rng.uniform(8, 20, n)),
        rng.uniform(2000, 5000, n) * np.pi / 30,
        np.radians(rng.normal(0, 4, n)),
    )


def carry_by_solve_ivp(table: CoefficientTable, launch: np.ndarray) -> float:
    """Carry of one shot."""
    log_re = [float(value) for value in np.log(table.reynolds)]
    spin_ratio = [0.0, *map(float, table.spin_ratio)]
    cd = np.concatenate([table.cd[:, :1], table.cd], axis=1).tolist()
    cl = np.concatenate([np.zeros_like(table.cl[:, :1]), table.cl], axis=1).tolist()
    radius = 0.5 * CONDITIONS.ball_diameter_m
    factor = CONDITIONS.air.density_kg_m3 * math.pi * radius**2 / (2 * CONDITIONS.ball_mass_kg)
    per_speed = 2 * radius / CONDITIONS.air.kinematic_viscosity_m2_s
    speed, angle, spin, tilt = map(float, launch)
    ax, as_, az = math.sin(tilt) * math.sin(angle), math.cos(tilt), -math.sin(tilt) * math.cos(angle)

    def place(nodes: list[float], at: float) -> tuple[int, float]:
        i = min(max(bisect.bisect_right(nodes, at) - 1, 0), len(nodes) - 2)
        return i, min(max((at - nodes[i]) / (nodes[i + 1] - nodes[i]), 0.0), 1.0)

    def derivative(_: float, y: np.ndarray) -> tuple[float, ...]:
        _, _, _, vx, vs, vz, omega = y.tolist()
        u = math.sqrt(vx * vx + vs * vs + vz * vz)
        i, a = place(log_re, math.log(u * per_speed))
        j, b = place(spin_ratio, omega * radius / u)
        w00, w01, w10, w11 = (1 - a) * (1 - b), (1 - a) * b, a * (1 - b), a * b
        drag = w00 * cd[i][j] + w01 * cd[i][j + 1] + w10 * cd[i + 1][j] + w11 * cd[i + 1][j + 1]
        lift = w00 * cl[i][j] + w01 * cl[i][j + 1] + w10 * cl[i + 1][j] + w11 * cl[i + 1][j + 1]
        q = factor * u
        return (
            vx,
            vs,
            vz,
            q * (lift * (az * vs - as_ * vz) - drag * vx),
            q * (lift * (ax * vz - az * vx) - drag * vs),
            q * (lift * (as_ * vx - ax * vs) - drag * vz) - STANDARD_GRAVITY_M_S2,
            -SMITS_SMITH_SPIN_DECAY * omega * u / radius,
        )

    def landing(_: float, y: np.ndarray) -> float:
        return float(y[2])

    def peak(_: float, y: np.ndarray) -> float:
        return float(y[5])

    landing.terminal, landing.direction = True, -1  # type: ignore[attr-defined]
    start = [0.0, 0.0, 0.0, speed * math.cos(angle), 0.0, speed * math.sin(angle), spin]
    solution = solve_ivp(
        derivative, (0.0, 30.0), start, events=(landing, peak), rtol=TOLERANCE, atol=TOLERANCE
    )
    return float(solution.y_events[0][0][0])


def main() -> None:
    table = smits_smith_table(np.geomspace(5e4, 2.5e5, 8), np.linspace(0.05, 0.4, 8))
    batch = TableBatch.of([table])
    few, many = shots(FEW, 1), shots(MANY, 2)
    exact = fly(batch, 0, few, CONDITIONS, step_s=0.002).carry_m
    our_error = np.abs(fly(batch, 0, few, CONDITIONS).carry_m - exact)
    fly(batch, 0, many, CONDITIONS)  # compiled by now, both ways

    ours, theirs = [], []
    carry = np.empty(FEW)
    for _ in range(REPEATS):  # in turn, so that other load on the machine falls on both
        with Stopwatch(MANY) as watch:
            fly(batch, 0, many, CONDITIONS)
        ours.append(watch.rates)
        with Stopwatch(FEW) as watch:
            for n, launch in enumerate(few.as_array()):
                carry[n] = carry_by_solve_ivp(table, launch)
        theirs.append(watch.rates)
    error = np.abs(carry - exact)
    report(f"ours, tolerance {TOLERANCE_M_S:g} m/s", ours, our_error.max())
    report(f"solve_ivp RK45, tolerance {TOLERANCE:g}", theirs, error.max())
    wall, cpu = np.median(np.array(ours) / np.array(theirs), axis=0)
    print(f"ratio: {wall:,.0f} by the clock, {cpu:,.0f} by processor time")


class Stopwatch:
    """Flights a second of a block that flies n balls, by the clock and by processor time of all threads."""

    def __init__(self, n: int) -> None:
        self.n = n

    def __enter__(self) -> "Stopwatch":
        self.begin = time.perf_counter(), time.process_time()
        return self

    def __exit__(self, *_: object) -> None:
        end = time.perf_counter(), time.process_time()
        self.rates = [self.n / (after - before) for before, after in zip(self.begin, end, strict=True)]


def report(name: str, rates: list[list[float]], carry_error_m: float) -> None:
    wall, cpu = np.median(rates, axis=0)
    print(
        f"{name}: {wall:,.0f} flights a second by the clock, {cpu:,.0f} a second of processor time; "
        f"carry error at most {carry_error_m:.4f} m"
    )


if __name__ == "__main__":
    main()
