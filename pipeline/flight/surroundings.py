"""Inputs of the compiled equations of motion: coefficient tables, air, wind, gravity."""

# mypy: disallow-untyped-defs=False
# The types of compiled functions are numba's to infer.

import math
from typing import NamedTuple

import numpy as np
from numba import njit

UNIFORM, LOGARITHMIC, POWER = 0, 1, 2
"""Profiles of the wind."""


class Grid(NamedTuple):
    """Coefficient tables as the kernel wants them; see `pipeline.aero.table.TableBatch`."""

    log_reynolds: np.ndarray
    spin_ratio: np.ndarray
    per_log_reynolds: np.ndarray  # one over the width of each cell
    per_spin_ratio: np.ndarray
    values: np.ndarray  # cd, cl, cm of table, Reynolds number, spin ratio, in one row
    has_cm: np.ndarray
    lowest_log_reynolds: float
    highest_log_reynolds: float
    lowest_spin_ratio: float
    highest_spin_ratio: float


class World(NamedTuple):
    """Ball, air and gravity, the same for every flight of a batch."""

    radius_m: float
    drag_factor_1_m: float  # rho A / (2 m)
    log_reynolds_1: float  # logarithm of the Reynolds number at 1 m/s
    gravity_m_s2: float
    wind_x_m_s: float  # at the reference height
    wind_s_m_s: float
    wind_profile: int
    wind_per_m: float  # see wind_share
    wind_constant: float
    spin_decay: float  # of balls whose table has no moment: d omega/dt = -spin_decay omega U / R


@njit(cache=True, error_model="numpy")
def wind_share(world, z):
    """Wind at a height over that at the reference height."""
    above = max(z, 0.0)
    if world.wind_profile == LOGARITHMIC:
        return world.wind_constant * math.log1p(world.wind_per_m * above)
    if world.wind_profile == POWER:
        return (world.wind_per_m * above) ** world.wind_constant
    return 1.0
