"""Forces a state of the boundary layer: as the turbulence model makes it, tripped at an angle, or laminar.

A turbulence model without transition knows nothing of the drag crisis. Here the state is an input: turbulence
is held off in the cells along the wall in front of the trip, and set in a narrow ring behind it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import BoolArray, FloatArray, IntArray
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Shell, rotated_about_y

SEPARATION = np.radians(82.0)
"""Angle from the front at which a laminar boundary layer leaves a sphere (Achenbach 1972 [memory])."""

EDGE_SPEED = 1.5 * np.sin(SEPARATION)
"""Speed of potential flow there, in units of U."""

CRITICAL_FACTOR, CRITICAL_EXPONENT = 1.2145e4, -0.38154
"""Critical Reynolds number 1.2145e4 (k/d)^-0.38154: least squares in logarithms through Achenbach 1974, J.
Fluid Mech. 65:113-125: 2.7e5, 1.6e5, 1.2e5, 9.5e4, 6e4 at k/d 25, 150, 250, 500, 1250 e-5 [memory,
+-25 %]."""

DIMPLE_SHARE = 0.65
"""Critical Reynolds number of dimples over that of sand as rough as they are deep. The one number that was
set by data on dimpled balls: with k/d 4e-3 drag falls from Re 4e4 to 9e4 (Choi, Jeon & Choi 2006, Phys.
Fluids 18:041702 [memory]), the middle of which is 0.65 of Achenbach's 1.0e5. A steady model has no gradual
fall, so its step stands in the middle of it."""

CRITICAL_SPREAD = 0.25
"""Relative spread of the critical Reynolds number."""

RING_WIDTH = np.radians(6.0)
RING_HEIGHT = 0.008
"""Height of the trip above the phantom sphere in diameters: the boundary layer's."""

RING_ENERGY = 0.02
"""Turbulence energy in the trip in units of U^2: the peak in a turbulent boundary layer, about 4.5 times the
square of the friction velocity (Spalart 1988, J. Fluid Mech. 187:61-98 [memory]). With cf = 0.026 Re_x^(-1/7)
(White) at Re_x 1e5 and an edge speed of 1.4 U that is 4.5 x 0.0025 x 1.4^2 = 0.022. It is not fitted."""

ZONE_ENERGY = {"laminar": 1e-10, "trip": RING_ENERGY}
"""Turbulence energy in each zone in units of U^2."""

LAMINAR_HEIGHT = 0.05
LAMINAR_END = np.radians(110.0)
"""How far out, and around, turbulence is held off: well outside the boundary layer, and past separation where
no trip comes before it."""


@dataclass(frozen=True)
class Zones:
    """Cells in which turbulence is held off, and cells of the trip; labels in increasing order."""

    laminar: IntArray
    trip: IntArray


def rough_sphere_critical_reynolds(roughness: float) -> float:
    """Reynolds number of least drag of a sphere covered with sand.

    Parameters
    ----------
    roughness : float
        Height of the roughness over the diameter, k/d > 0.

    Returns
    -------
    float
        From the fit of `CRITICAL_FACTOR`, for k/d from 25e-5 to 1250e-5.
    """
    return float(CRITICAL_FACTOR * roughness**CRITICAL_EXPONENT)


def critical_reynolds(depth_m: float, ball_diameter_m: float) -> float:
    """Reynolds number below which dimples do not trip the boundary layer before it separates.

    Parameters
    ----------
    depth_m : float
        Surface depth, taken for the roughness height k.
    ball_diameter_m : float
        Diameter d of the ball.

    Returns
    -------
    float
        `DIMPLE_SHARE` of that of a rough sphere; infinite for a smooth ball.
    """
    if depth_m <= 0.0:
        return float("inf")
    return DIMPLE_SHARE * rough_sphere_critical_reynolds(depth_m / ball_diameter_m)


def tripped_share(reynolds: ArrayLike, spin_ratio: ArrayLike, critical: ArrayLike) -> FloatArray:
    r"""Share of the meridians on which the boundary layer is tripped before laminar separation.

    The criterion of `trip_angles` in closed form: local strength (`trip_strength`) grows with the angle, so a
    meridian of azimuth a is tripped when 1.5 sin(82 deg) - S sin(a) >= 1.5 sin(82 deg) Re_c / Re, and

    .. math:: t = 1/2 + \arcsin(q) / \pi, \quad q = 1.5 \sin(82^\circ) (1 - Re_c / Re) / S

    Parameters
    ----------
    reynolds, spin_ratio, critical : array_like
        Reynolds number, spin ratio and critical Reynolds number of the ball at rest, broadcast [-].

    Returns
    -------
    ndarray
        0 (not at all: laminar separation all round) to 1 (all round); between them only one side of a
        spinning ball is tripped, the one that moves against the air. Without spin it is 0 or 1.
    """
    re, s, c = np.broadcast_arrays(*(np.asarray(a, float) for a in (reynolds, spin_ratio, critical)))
    margin = EDGE_SPEED * (1.0 - c / re)
    q = np.divide(margin, s, out=np.where(margin >= 0.0, 1.0, -1.0), where=s > 0.0)
    return np.asarray(0.5 + np.arcsin(np.clip(q, -1.0, 1.0)) / np.pi)


def regime_warnings(state: str, reynolds: float, depth_m: float, ball_diameter_m: float) -> list[str]:
    """What to say of a run whose Reynolds number does not go with the state of its boundary layer.

    Parameters
    ----------
    state : str
        "turbulent", "tripped" or "laminar".
    reynolds : float
        Of the run.
    depth_m, ball_diameter_m : float
        Of the ball.

    Returns
    -------
    list of str
        Empty when all is well.
    """
    critical = critical_reynolds(depth_m, ball_diameter_m)
    low, high = critical * (1.0 - CRITICAL_SPREAD), critical * (1.0 + CRITICAL_SPREAD)
    if state == "tripped" and low <= reynolds <= high:
        return [
            f"Re {reynolds:g} lies within the spread of the critical Reynolds number of this depth "
            f"({low:.3g} to {high:.3g}): whether the boundary layer is tripped is not certain"
        ]
    if state == "turbulent" and reynolds < low:
        return [
            f"Re {reynolds:g} lies below the critical Reynolds number of this depth (about {critical:.3g})"
        ]
    if state == "laminar" and reynolds > high:
        return [
            f"Re {reynolds:g} lies above the critical Reynolds number of this depth (about {critical:.3g})"
        ]
    return []


def trip_strength(angle: FloatArray, azimuth: FloatArray, spin_ratio: float) -> FloatArray:
    """Local Reynolds number of the boundary layer over that of the ball: edge speed times run length.

    Edge speed 1.5 U sin(phi) of potential flow at the angle phi from the front, less the speed of the
    spinning wall along the meridian, which is S sin(azimuth) U all along it; run length phi R. The trip moves
    so that this times Re stays what it is at laminar separation at the critical Reynolds number.

    Parameters
    ----------
    angle : ndarray
        Angle from the front, phi.
    azimuth : ndarray
        Of the meridian: 0 at +y, the axis of backspin, pi/2 at +z, where the wall moves with the air.
    spin_ratio : float
        S.

    Returns
    -------
    ndarray
        In units of U D / nu, of the broadcast shape; larger on the side that moves against the air.
    """
    edge = 1.5 * np.sin(angle) - spin_ratio * np.sin(azimuth)
    return np.maximum(edge, 0.0) * angle * PHANTOM_RADIUS


def polar_angle(directions: FloatArray) -> FloatArray:
    """Angle from the front point at -x, shape (q,)."""
    return np.arccos(np.clip(-directions[:, 0], -1.0, 1.0))


def trip_angles(
    directions: FloatArray,
    reynolds: float,
    spin_ratio: float,
    critical: float,
    trip_angle: float | None = None,
) -> FloatArray:
    """Angle from the front at which the boundary layer is tripped, on each direction's meridian.

    Parameters
    ----------
    directions : ndarray, shape (q, 3)
        Unit vectors.
    reynolds, spin_ratio : float
        The flow.
    critical : float
        Critical Reynolds number of the ball at rest.
    trip_angle : float, optional
        A measured trip angle in rad, which overrides the criterion on every meridian.

    Returns
    -------
    ndarray, shape (q,)
        In rad; infinite where the boundary layer separates before it is tripped.
    """
    if trip_angle is not None:
        return np.full(len(directions), trip_angle)
    threshold = critical * EDGE_SPEED * SEPARATION * PHANTOM_RADIUS
    steps = np.linspace(0.0, SEPARATION, 165)
    azimuth = np.arctan2(directions[:, 2], directions[:, 1])
    strength = trip_strength(steps, azimuth[:, None], spin_ratio) * reynolds
    reached = strength >= threshold
    return np.where(reached.any(axis=1), steps[np.argmax(reached, axis=1)], np.inf)


def boundary_layer_zones(
    shell: Shell,
    state: str,
    reynolds: float,
    spin_ratio: float,
    critical: float,
    trip_angle: float | None = None,
    turned: float = 0.0,
) -> Zones:
    """Cells of the laminar zone and of the trip.

    Parameters
    ----------
    shell : Shell
        The mesh.
    state : str
        "turbulent": the model alone, no zones. "tripped": laminar to the trip. "laminar": never tripped.
    reynolds, spin_ratio : float
        The flow.
    critical : float
        Critical Reynolds number of the ball.
    trip_angle : float, optional
        A measured trip angle in rad.
    turned : float
        Angle by which the mesh has turned with the ball in rad; the zones stand still in space.

    Returns
    -------
    Zones
        Columns whose meridian separates before it is tripped are laminar to `LAMINAR_END`.
    """
    nothing = np.empty(0, dtype=np.int64)
    if state == "turbulent":
        return Zones(nothing, nothing)
    centres, _ = shell.ball_faces()
    directions = rotated_about_y(centres / np.linalg.norm(centres, axis=1, keepdims=True), turned)
    angle = polar_angle(directions)
    trip = np.full(len(angle), np.inf)
    if state == "tripped":
        trip = trip_angles(directions, reynolds, spin_ratio, critical, trip_angle)
    laminar = angle < np.minimum(trip, LAMINAR_END)
    ring = (angle >= trip) & (angle < trip + RING_WIDTH)
    return Zones(_cells(shell, laminar, LAMINAR_HEIGHT), _cells(shell, ring, RING_HEIGHT))


def _cells(shell: Shell, columns: BoolArray, height: float) -> IntArray:
    """Cells of some columns up to a height above the phantom sphere."""
    nodes = shell.layer_radii()
    middle = 0.5 * (nodes[1:] + nodes[:-1]) - PHANTOM_RADIUS
    found = [shell.cells_over(int(layer))[columns] for layer in np.flatnonzero(middle < height)]
    # A cell outside a coarsening lies over four columns.
    return np.unique(np.concatenate(found)).astype(np.int64) if found else np.empty(0, dtype=np.int64)
