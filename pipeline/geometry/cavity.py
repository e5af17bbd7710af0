"""Spherical-arc cavity: its chord diameter, surface depth and edge angle, each from the other two.

With the phantom sphere's diameter D, the dimple's chord diameter c (edge radius a = c/2) and

    beta    half angle of the dimple's edge seen from the ball's centre, sin(beta) = c / D
    s       sagitta of the phantom cap that the dimple removes, s = a tan(beta/2)
    h       chord depth, below the plane of the edge, h = d - s with the surface depth d
    rho     section radius of the arc, rho = (a^2 + h^2) / (2 h)
    epsilon edge angle, epsilon = beta + arcsin(a / rho) = beta + 2 arctan(h / a)

(elementary geometry of circular segments) the sum d = a (tan(beta/2) + tan((epsilon - beta)/2)) becomes

    tan(beta/2) tan(epsilon/2) = d / (D - d),

which gives each of c, d and epsilon from the other two without iteration. A cavity must be concave (h > 0,
that is epsilon > beta) and visible from the ball's centre (epsilon < 90 deg), since the ball is a height
field.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import InputError

FloatArray = NDArray[np.float64]


def edge_half_angle(chord_diameter_m: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Half angle beta of a dimple's edge, seen from the ball's centre.

    Parameters
    ----------
    chord_diameter_m : array_like
        Chord diameters of the edges [m], between 0 and the ball's diameter.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        beta = arcsin(c / D) [rad], of the shape of `chord_diameter_m`.

    Raises
    ------
    InputError
        If a chord diameter is out of range.
    """
    chord = np.asarray(chord_diameter_m, dtype=float)
    bad = ~((chord > 0) & (chord < ball_diameter_m))
    if bad.any():
        raise InputError(
            f"chord diameter {_mm(chord[bad].flat[0])}: must be above 0 mm and below the ball's diameter, "
            f"{_mm(ball_diameter_m)}"
        )
    return np.arcsin(chord / ball_diameter_m)


def arc_edge_angle(chord_diameter_m: ArrayLike, depth_m: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Edge angle of an arc cavity from its chord diameter and surface depth.

    Parameters
    ----------
    chord_diameter_m, depth_m : array_like
        Chord diameter and surface depth (at the centre, below the phantom sphere) [m]; they broadcast.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        Angle between the wall and the phantom sphere's tangent at the edge [rad].

    Raises
    ------
    InputError
        If a depth is not feasible for its chord diameter; the message gives the feasible range.
    """
    beta, depth = np.broadcast_arrays(
        edge_half_angle(chord_diameter_m, ball_diameter_m), np.asarray(depth_m, dtype=float)
    )
    lowest = ball_diameter_m * np.sin(beta / 2) ** 2
    # epsilon = 90 deg in tan(beta/2) tan(epsilon/2) = d / (D - d)
    highest = ball_diameter_m * np.tan(beta / 2) / (1 + np.tan(beta / 2))
    bad = ~((depth > lowest) & (depth < highest))
    if bad.any():
        first = np.argmax(bad)
        raise InputError(
            f"surface depth {_mm(depth.flat[first])} with chord diameter "
            f"{_mm(ball_diameter_m * np.sin(beta.flat[first]))}: must be above "
            f"{_up(lowest.flat[first] * 1e3)} mm (a flat cavity) and below "
            f"{_down(highest.flat[first] * 1e3)} mm (an edge angle of 90 deg)"
        )
    return 2 * np.arctan(depth / ((ball_diameter_m - depth) * np.tan(beta / 2)))


def arc_depth(chord_diameter_m: ArrayLike, edge_angle_rad: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Surface depth of an arc cavity from its chord diameter and edge angle.

    Parameters
    ----------
    chord_diameter_m : array_like
        Chord diameter [m].
    edge_angle_rad : array_like
        Edge angle [rad], above the edge's half angle beta and below pi/2; broadcasts.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        Surface depth [m].

    Raises
    ------
    InputError
        If an edge angle is not feasible for its chord diameter; the message gives the feasible range.
    """
    beta, angle = np.broadcast_arrays(
        edge_half_angle(chord_diameter_m, ball_diameter_m), np.asarray(edge_angle_rad, dtype=float)
    )
    bad = ~((angle > beta) & (angle < np.pi / 2))
    if bad.any():
        first = np.argmax(bad)
        raise InputError(
            f"edge angle {np.degrees(angle.flat[first]):.6g} deg with chord diameter "
            f"{_mm(ball_diameter_m * np.sin(beta.flat[first]))}: must be above "
            f"{_up(np.degrees(beta.flat[first]))} deg (a flat cavity) and below 90 deg"
        )
    product = np.tan(beta / 2) * np.tan(angle / 2)
    return ball_diameter_m * product / (1 + product)


def arc_chord_diameter(depth_m: ArrayLike, edge_angle_rad: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Chord diameter of an arc cavity from its surface depth and edge angle.

    Parameters
    ----------
    depth_m : array_like
        Surface depth [m].
    edge_angle_rad : array_like
        Edge angle [rad], between 0 and pi/2; broadcasts.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        Chord diameter [m].

    Raises
    ------
    InputError
        If a depth is not feasible for its edge angle; the message gives the feasible range.
    """
    depth, angle = np.broadcast_arrays(
        np.asarray(depth_m, dtype=float), np.asarray(edge_angle_rad, dtype=float)
    )
    bad = ~((angle > 0) & (angle < np.pi / 2))
    if bad.any():
        raise InputError(
            f"edge angle {np.degrees(angle[bad].flat[0]):.6g} deg: must be above 0 deg and below 90 deg"
        )
    # beta = epsilon (a flat cavity) in tan(beta/2) tan(epsilon/2) = d / (D - d)
    highest = ball_diameter_m * np.sin(angle / 2) ** 2
    bad = ~((depth > 0) & (depth < highest))
    if bad.any():
        first = np.argmax(bad)
        raise InputError(
            f"surface depth {_mm(depth.flat[first])} with edge angle "
            f"{np.degrees(angle.flat[first]):.6g} deg: must be above 0 mm and below "
            f"{_down(highest.flat[first] * 1e3)} mm (a flat cavity)"
        )
    beta = 2 * np.arctan(depth / ((ball_diameter_m - depth) * np.tan(angle / 2)))
    return ball_diameter_m * np.sin(beta)


def arc_chord_depth(chord_diameter_m: ArrayLike, depth_m: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Chord depth (below the plane of the edge) of an arc cavity.

    Parameters
    ----------
    chord_diameter_m, depth_m : array_like
        Chord diameter and surface depth [m]; they broadcast.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        h = d - s [m], above zero.

    Raises
    ------
    InputError
        If a depth is not feasible for its chord diameter.
    """
    arc_edge_angle(chord_diameter_m, depth_m, ball_diameter_m)  # refuses what is not feasible
    beta = edge_half_angle(chord_diameter_m, ball_diameter_m)
    return np.asarray(depth_m, dtype=float) - ball_diameter_m * np.sin(beta / 2) ** 2


def arc_section_radius(chord_diameter_m: ArrayLike, depth_m: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Radius of the arc in the section through the dimple's centre.

    Parameters
    ----------
    chord_diameter_m, depth_m : array_like
        Chord diameter and surface depth [m]; they broadcast.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        rho = (a^2 + h^2) / (2 h) [m].

    Raises
    ------
    InputError
        If a depth is not feasible for its chord diameter.
    """
    chord_depth = arc_chord_depth(chord_diameter_m, depth_m, ball_diameter_m)
    edge_radius = np.asarray(chord_diameter_m, dtype=float) / 2
    return (edge_radius**2 + chord_depth**2) / (2 * chord_depth)


def arc_volume(chord_diameter_m: ArrayLike, depth_m: ArrayLike, ball_diameter_m: float) -> FloatArray:
    """Volume that an arc cavity removes from the phantom sphere.

    The sum of two spherical caps on the plane of the edge, the phantom sphere's above it and the arc's
    below; a cap of height h and base radius a holds pi h (3 a^2 + h^2) / 6 (Weisstein, "Spherical Cap",
    MathWorld).

    Parameters
    ----------
    chord_diameter_m, depth_m : array_like
        Chord diameter and surface depth [m]; they broadcast.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Returns
    -------
    ndarray
        Volume of each dimple [m^3].

    Raises
    ------
    InputError
        If a depth is not feasible for its chord diameter.
    """
    chord_depth = arc_chord_depth(chord_diameter_m, depth_m, ball_diameter_m)
    sagitta = ball_diameter_m * np.sin(edge_half_angle(chord_diameter_m, ball_diameter_m) / 2) ** 2
    edge_radius = np.asarray(chord_diameter_m, dtype=float) / 2
    return _cap_volume(edge_radius, sagitta) + _cap_volume(edge_radius, chord_depth)


def _cap_volume(base_radius: FloatArray, height: FloatArray) -> FloatArray:
    return np.pi * height * (3 * base_radius**2 + height**2) / 6


def _mm(length_m: float) -> str:
    return f"{length_m * 1e3:.6g} mm"


def _up(value: float) -> str:
    """Four decimals, rounded so that what is printed lies inside a range bounded below by `value`."""
    return f"{np.ceil(value * 1e4) / 1e4:.4f}"


def _down(value: float) -> str:
    return f"{np.floor(value * 1e4) / 1e4:.4f}"
