"""Errors of the coefficients that runs do not know of: level and slope with depth of a mesh, flow model."""

from dataclasses import dataclass

import numpy as np

from pipeline.aero.process import DEPTH_UNIT_M, matern
from pipeline.arrays import FloatArray


@dataclass(frozen=True)
class StatedError:
    """Error of the coefficients beyond the runs' own standard errors: of a mesh, of a flow model.

    Parameters
    ----------
    cd, cl : float
        Its standard deviation [-].
    shared : float
        Share of its variance that is the same for all depths and patterns, 0 to 1; the rest differs from
        pattern to pattern and changes slowly with depth. An error that is wholly shared (1, that of a flow
        model) widens every carry and hardly any difference between depths [-].
    cd_relative, cl_relative : float
        The same as shares of the coefficient; both parts of an error are drawn together [-].
    cd_slope, cl_slope : float
        Relative standard deviation of the coefficient's change with depth, independent of the other parts:
        one factor a draw, above zero, turns the curve over depth about the middle of the depths studied [-].
    """

    cd: float = 0.0
    cl: float = 0.0
    shared: float = 0.9
    cd_relative: float = 0.0
    cl_relative: float = 0.0
    cd_slope: float = 0.0
    cl_slope: float = 0.0


def stated_draws(
    shared: float, depth_m: FloatArray, n: int, common: np.random.Generator, rng: np.random.Generator
) -> FloatArray:
    """Draws of a stated error of unit size, shape (n, d)."""
    apart = np.abs(depth_m[:, None] - depth_m) / DEPTH_UNIT_M
    size, vectors = np.linalg.eigh(matern(apart / 1.5)[0])
    own = rng.standard_normal((n, depth_m.size)) @ (vectors * np.sqrt(np.maximum(size, 0.0))).T
    return np.asarray(np.sqrt(shared) * common.standard_normal((n, 1)) + np.sqrt(1.0 - shared) * own)


def slope_draws(
    relative: float, shared: float, n: int, common: np.random.Generator, rng: np.random.Generator
) -> FloatArray:
    """Draws of a relative error of the slope with depth, shape (n,).

    The factor on the slope is log-normal with a mean of one and the standard deviation `relative`: meshes
    differ in how fast coefficients change with depth, and not in which way (docs/validation.md, "Steps of
    depth").
    """
    sigma = np.sqrt(np.log1p(relative**2))
    own = rng.standard_normal(n)
    unit = np.sqrt(shared) * common.standard_normal(n) + np.sqrt(1.0 - shared) * own
    return np.asarray(np.expm1(sigma * unit - 0.5 * sigma**2))
