"""Simulated firings: invented balls flown past the gates of a range, with its noise, to try a reduction on.

The flights are integrated by numpy for any drag and lift, apart from the compiled code of the reduction
(`pipeline.range.gate_kernel`), so that each checks the other. The equations are those of `pipeline.flight`.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from pipeline.arrays import BoolArray, FloatArray
from pipeline.flight.air import STANDARD_GRAVITY_M_S2, air_from
from pipeline.flight.quintic import quintic, slope_at, value_at
from pipeline.range.firings import DEFAULTS, GATE_COLUMNS, SHOT_COLUMNS, Firings, si_name
from pipeline.range.invented import LEVEL, Gates, Kind, Programme, RangeTruth, Scatter

_STEP_S = 2e-3
_LONGEST_S = 8.0
_LOWEST_M, _HIGHEST_M = 0.0, 3.0
"""Heights that gates see."""


def simulate(
    kinds: Sequence[Kind],
    gates: Gates,
    programme: Programme,
    scatter: Scatter,
    seed: int,
    truth: RangeTruth = LEVEL,
) -> Firings:
    """Fire invented balls down a range.

    Parameters
    ----------
    kinds : sequence of Kind
        Balls.
    gates : Gates
        The range.
    programme : Programme
        Speeds, spins and shots.
    scatter : Scatter
        Errors and scatter.
    seed : int
        Of all that is random.
    truth : RangeTruth
        Tilt and decay.

    Returns
    -------
    Firings
        As the range would have noted them.
    """
    rng = np.random.default_rng(seed)
    shots, of_ball = _shots(kinds, programme, scatter, rng)
    n = len(shots)
    air = [air_from(t, p, 0.5) for t, p in zip(shots["temperature_k"], shots["pressure_pa"], strict=True)]
    density = np.array([a.density_kg_m3 for a in air])
    viscosity = np.array([a.kinematic_viscosity_m2_s for a in air])
    area = np.pi * shots["diameter_m"].to_numpy() ** 2 / 4
    per_m = density * area / (2 * shots["mass_kg"].to_numpy())
    offset_cd, offset_cl = (
        rng.normal(0, of_balls, len(of_ball))[shots["ball_number"]] + rng.normal(0, of_shots, n)
        for of_balls, of_shots in (
            (scatter.ball_cd, scatter.shot_cd),
            (scatter.ball_cl, scatter.shot_cl),
        )
    )
    kind_of, depth = shots["kind"].to_numpy(), shots["depth_m"].to_numpy()

    def coefficients(reynolds: FloatArray, spin_ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
        cd, cl = np.empty(n), np.empty(n)
        for place, kind in enumerate(kinds):
            own = kind_of == place
            cd[own], cl[own] = kind.coefficients(reynolds[own], spin_ratio[own], depth[own])
        return cd + offset_cd, cl + offset_cl

    fired = _fired(shots, scatter, truth, rng)
    seen = _passings(fired, per_m, shots["diameter_m"].to_numpy(), viscosity, coefficients, gates, truth)
    return Firings(_stated(shots, fired, scatter, rng), _noted(seen, gates, scatter, truth, rng))


def _shots(
    kinds: Sequence[Kind], programme: Programme, scatter: Scatter, rng: np.random.Generator
) -> tuple[pd.DataFrame, list[str]]:
    """Every shot's ball and setting, in the order of firing."""
    rows: list[tuple[object, ...]] = []
    names: list[str] = []
    for place, kind in enumerate(kinds):
        for _number in range(kind.balls):
            depth = kind.depth_m + rng.normal(0, scatter.depth_m)
            mass = 0.0459 + rng.normal(0, scatter.mass_kg)
            ball = (place, len(names), f"{kind.pattern}-{len(names) + 1}", kind.pattern, depth, mass)
            names.append(ball[2])
            for speed in programme.speed_m_s:
                rows += [(*ball, speed, spin, 0.0) for spin in programme.spin_rad_s] * programme.shots
                middle = float(np.mean(programme.spin_rad_s))
                for k in range(programme.upright_shots):
                    rows.append((*ball, speed, middle, np.pi / 2 * (1 if k % 2 else -1)))
    columns = ["kind", "ball_number", "ball", "pattern", "depth_m", "mass_kg", "speed", "spin", "tilt"]
    shots = pd.DataFrame(rows, columns=columns)
    if programme.shuffled:
        shots = shots.iloc[rng.permutation(len(shots))].reset_index(drop=True)
    shots["diameter_m"] = 0.04272
    passed = np.linspace(0.0, 1.0, len(shots))
    shots["temperature_k"] = 293.15 + scatter.air_k * (passed - 0.5)
    shots["pressure_pa"] = 1.0132e5 + 40.0 * scatter.air_k * passed
    return shots, names


def _fired(
    shots: pd.DataFrame, scatter: Scatter, truth: RangeTruth, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """What the launcher did: place and motion at the first gate."""
    n = len(shots)
    speed = shots["speed"].to_numpy() * (1 + rng.normal(0, scatter.fired_speed, n))
    # Aimed so that a ball without lift is as high at 20 m as at the first gate, within the launcher's reach.
    aim = np.clip(0.5 * STANDARD_GRAVITY_M_S2 * 20.0 / speed**2, 0.0, 0.15)
    return {
        "speed": speed,
        "spin": shots["spin"].to_numpy() * (1 + rng.normal(0, scatter.fired_spin, n)),
        "angle": 0.5 * aim + rng.normal(0, scatter.fired_angle_rad, n),
        "azimuth": rng.normal(0, scatter.fired_angle_rad, n),
        "tilt": shots["tilt"].to_numpy() + rng.normal(0, scatter.fired_axis_rad, n),
        "height": 1.0 + rng.normal(0, 0.005, n),
        "side": rng.normal(0, 0.005, n),
    }


def _stated(
    shots: pd.DataFrame, fired: dict[str, FloatArray], scatter: Scatter, rng: np.random.Generator
) -> pd.DataFrame:
    """What the file says of the shots."""
    n = len(shots)
    stated = shots[["ball", "pattern", "depth_m", "mass_kg", "diameter_m"]].copy()
    stated.insert(0, "file", "simulated")
    stated.insert(1, "shot", [str(k + 1) for k in range(n)])
    stated["orientation"] = ""
    stated["launch_speed_m_s"] = fired["speed"] + rng.normal(0, scatter.launch_speed_m_s, n)
    stated["launch_angle_rad"] = fired["angle"] + rng.normal(0, scatter.launch_angle_rad, n)
    stated["spin_rad_s"] = fired["spin"] + rng.normal(0, scatter.spin_rad_s, n)
    stated["axis_tilt_rad"] = fired["tilt"] + rng.normal(0, scatter.axis_rad, n)
    exact = scatter.air_k == 0.0
    stated["temperature_k"] = shots["temperature_k"] + (0.0 if exact else 1.0) * rng.normal(0, 0.05, n)
    stated["pressure_pa"] = shots["pressure_pa"] + (0.0 if exact else 1.0) * rng.normal(0, 5.0, n)
    stated["humidity"] = 0.5
    for name, of in (
        ("spin", scatter.spin_rad_s),
        ("launch_angle", scatter.launch_angle_rad),
        ("axis", scatter.axis_rad),
    ):
        stated[si_name(f"{name}_error", SHOT_COLUMNS[f"{name}_error"])] = of or DEFAULTS[f"{name}_error"]
    order = ["file", "shot", "ball", "pattern", "orientation"]
    return stated[order + [si_name(name, column) for name, column in SHOT_COLUMNS.items()]]


def _passings(
    fired: dict[str, FloatArray],
    per_m: FloatArray,
    diameter: FloatArray,
    viscosity: FloatArray,
    coefficients: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]],
    gates: Gates,
    truth: RangeTruth,
) -> FloatArray:
    """Time, side, height, spin and speed of every shot at every gate, shape (shots, gates, 5); NaN unseen."""
    n, radius = len(per_m), 0.5 * diameter
    ca, sa = np.cos(fired["angle"]), np.sin(fired["angle"])
    cz, sz = np.cos(fired["azimuth"]), np.sin(fired["azimuth"])
    tilt = fired["tilt"] + truth.axis_rad
    right, up = np.stack([-sz, cz, 0 * sz]), np.stack([-sa * cz, -sa * sz, ca])
    axis = np.cos(tilt) * right - np.sin(tilt) * up
    gravity = STANDARD_GRAVITY_M_S2 * np.array([0.0, np.sin(truth.roll_rad), -np.cos(truth.roll_rad)])

    def rates(y: FloatArray) -> FloatArray:
        v, omega = y[3:6], y[6]
        speed = np.sqrt((v**2).sum(axis=0))
        cd, cl = coefficients(speed * diameter / viscosity, omega * radius / speed)
        # The lift is along spin axis x velocity: its right-handed cross product in (x, right, up).
        lift = np.stack([axis[2] * v[1] - axis[1] * v[2], axis[0] * v[2] - axis[2] * v[0],
                         axis[1] * v[0] - axis[0] * v[1]])  # fmt: skip
        push = per_m * speed * (cl * lift - cd * v) + gravity[:, None]
        return np.concatenate([v, push, [-truth.spin_decay * omega * speed / radius]])

    # From a step before the first gate, so that this one is passed on the way.
    y = np.stack([np.zeros(n), fired["side"], fired["height"], fired["speed"] * ca * cz,
                  fired["speed"] * ca * sz, fired["speed"] * sa, fired["spin"]])  # fmt: skip
    lean = np.tan(np.array(gates.slant_rad))
    reach = max(gates.position_m) + _HIGHEST_M * np.abs(lean).max()
    seen = np.full((n, len(gates.position_m), 5), np.nan)

    def step(y: FloatArray, rate: FloatArray, h: float) -> FloatArray:
        second = rates(y + 0.5 * h * rate)
        third = rates(y + 0.5 * h * second)
        return y + h / 6 * (rate + 2 * second + 2 * third + rates(y + h * third))

    y, time = step(y, rates(y), -_STEP_S), -_STEP_S
    rate = rates(y)
    while (y[0] < reach).any() and time < _LONGEST_S:
        new = step(y, rate, _STEP_S)
        new_rate = rates(new)
        for g, (at, tan) in enumerate(zip(gates.position_m, lean, strict=True)):
            passes = (y[0] - at - tan * y[2] <= 0) & (new[0] - at - tan * new[2] > 0)
            if passes.any():
                seen[passes, g] = _at_gate(y, new, rate, new_rate, passes, at, tan, time)
        y, rate, time = new, new_rate, time + _STEP_S
    outside = (seen[:, :, 2] < _LOWEST_M) | (seen[:, :, 2] > _HIGHEST_M)
    seen[outside] = np.nan
    return seen


def _at_gate(
    y: FloatArray, new: FloatArray, rate: FloatArray, new_rate: FloatArray, which: BoolArray,
    at: float, tan: float, time: float,
) -> FloatArray:  # fmt: skip
    """Where the balls of a step pass a gate, on polynomials of fifth degree over the step."""
    along = [
        np.array(
            quintic.py_func(
                y[c, which], y[3 + c, which], rate[3 + c, which], new[c, which], new[3 + c, which],
                new_rate[3 + c, which], _STEP_S,
            )
        )
        for c in range(3)
    ]  # fmt: skip
    t = (at - y[0, which] + tan * y[2, which]) / (y[3, which] - tan * y[5, which]) / _STEP_S
    for _ in range(6):
        off = value_at.py_func(along[0], t) - at - tan * value_at.py_func(along[2], t)
        t = t - off / (slope_at.py_func(along[0], t) - tan * slope_at.py_func(along[2], t))
    h = _STEP_S
    f0, f1 = y[6, which], new[6, which]
    d0, d1 = h * rate[6, which], h * new_rate[6, which]
    spin = f0 + t * (d0 + t * ((3 * (f1 - f0) - 2 * d0 - d1) + t * (2 * (f0 - f1) + d0 + d1)))
    return np.stack(
        [time + h * t, value_at.py_func(along[1], t), value_at.py_func(along[2], t), spin,
         slope_at.py_func(along[0], t) / h], axis=-1,
    )  # fmt: skip


def _noted(
    seen: FloatArray, gates: Gates, scatter: Scatter, truth: RangeTruth, rng: np.random.Generator
) -> pd.DataFrame:
    """What the gates note: times from the first one on, with their noise."""
    n, m = seen.shape[:2]
    first = np.nanmin(seen[:, :, 0], axis=1)
    noise = rng.normal(0, 1, (4, n, m))
    time = seen[:, :, 0] - first[:, None] + scatter.time_s * noise[0]
    time += scatter.position_m * noise[1] / seen[:, :, 4]
    for gate, delay in truth.gate_delay_s.items():
        time[:, gate] += delay
    bad = rng.random((n, m)) < scatter.bad_gates
    time += bad * rng.choice([-1.0, 1.0], (n, m)) * 1e-6 * 2.0 ** rng.integers(6, 12, (n, m))
    spin = np.full((n, m), np.nan)
    if gates.spin:
        spin[:, -1] = seen[:, -1, 3] + rng.normal(0, scatter.spin_rad_s, n)
    rows = pd.DataFrame(
        {
            "shot": np.repeat(np.arange(n), m),
            "line": np.arange(n * m) + 2,
            "gate": [f"G{g + 1}" for g in range(m)] * n,
            "position_m": np.tile(gates.position_m, n),
            "slant_rad": np.tile(gates.slant_rad, n),
            "time_s": time.ravel(),
            "height_m": (seen[:, :, 2] + scatter.height_m * noise[2]).ravel() if gates.height else np.nan,
            "side_m": (seen[:, :, 1] + scatter.side_m * noise[3]).ravel() if gates.side else np.nan,
            "gate_spin_rad_s": spin.ravel(),
            "time_error_s": scatter.time_s or DEFAULTS["time_error"],
            "position_error_m": scatter.position_m,
            "height_error_m": scatter.height_m or DEFAULTS["height_error"],
            "side_error_m": scatter.side_m or DEFAULTS["side_error"],
        }
    )
    assert list(rows.columns[3:]) == [si_name(name, column) for name, column in GATE_COLUMNS.items()]
    seen_rows: pd.DataFrame = rows[rows["time_s"].notna()]
    return seen_rows.reset_index(drop=True)
