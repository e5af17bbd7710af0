"""Cavities: all measures of dimples from their chord diameters and surface depths or edge angles.

With the phantom sphere's diameter D, the dimple's chord diameter c (edge radius a = c/2) and

    beta    half angle of the dimple's edge seen from the ball's centre, sin(beta) = c / D
    s       sagitta of the phantom cap that the dimple removes, s = D sin^2(beta/2)
    d, h    surface depth and chord depth, d = s + h
    gamma   wall angle at the edge, from the plane of the edge
    epsilon edge angle, from the phantom sphere's tangent, epsilon = beta + gamma
    V       volume removed, the phantom cap's plus that of the section below the plane of the edge

a section (`section.py`) gives h/a and V below the plane as growing functions of gamma, so that c and one of d
and epsilon make all others. A cavity must be concave (gamma > 0) and visible from the ball's centre
(epsilon < 90 deg), since the ball is a height field.

Of a polygon chord diameter and edge angle are those of the section through the middle of a side; with an edge
radius they are those of the sharp edge, where wall and phantom sphere would meet. The volume is the true one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.geometry.dimple.perimeter import ROUND
from pipeline.geometry.dimple.rounding import Roundings, check_roundings, edge_roundings, removed_volume
from pipeline.geometry.dimple.section import Sections


@dataclass(frozen=True)
class Cavities:
    """Measures of n dimples.

    Attributes
    ----------
    sections : Sections
        Their sections.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    half_angle_rad : ndarray, shape (n,)
        Half angles beta of the edges, seen from the ball's centre [rad].
    wall_rad : ndarray, shape (n,)
        Wall angles gamma at the edges, from the plane of the edge [rad].
    sides : ndarray of int, shape (n,) or ()
        Numbers of sides of polygonal perimeters, 0 for round ones.
    """

    sections: Sections
    ball_diameter_m: float
    half_angle_rad: FloatArray
    wall_rad: FloatArray
    sides: IntArray

    @property
    def chord_diameter_m(self) -> FloatArray:
        """Chord diameters of the edges [m]."""
        return self.ball_diameter_m * np.sin(self.half_angle_rad)

    @property
    def depth_m(self) -> FloatArray:
        """Surface depths, below the phantom sphere at the axis [m]."""
        return self._sagitta() + self.chord_depth_m

    @property
    def chord_depth_m(self) -> FloatArray:
        """Chord depths, below the plane of the edge at the axis [m]."""
        return self.chord_diameter_m / 2 * self.sections.chord_depth(self.wall_rad)

    @property
    def edge_angle_rad(self) -> FloatArray:
        """Edge angles, between the wall and the phantom sphere's tangent [rad]."""
        return self.half_angle_rad + self.wall_rad

    @property
    def volume_m3(self) -> FloatArray:
        """Volumes removed from the phantom sphere [m^3]."""
        shaped = (self.sides > 0) | (self.sections.edge_radius_m > 0)
        if np.any(shaped):
            return removed_volume(
                self.sections, self.ball_diameter_m, self.half_angle_rad, self.wall_rad, self.sides
            )
        return self._cap_volume() + (self.chord_diameter_m / 2) ** 3 * self.sections.volume(self.wall_rad)

    def roundings(self) -> Roundings:
        """Where the roundings of the edges begin and end."""
        return edge_roundings(self.sections, self.ball_diameter_m, self.half_angle_rad, self.wall_rad)

    @property
    def bottom_radius_m(self) -> FloatArray:
        """Radius of curvature of the section at the axis: of the bottom arc, or the catenary's k [m]."""
        edge = self.chord_diameter_m / 2
        arc = self.sections.joint * edge / np.sin(self.sections.bottom_angle(self.wall_rad))
        return np.where(self.sections.catenary, edge / np.arcsinh(np.tan(self.wall_rad)), arc)

    def _sagitta(self) -> FloatArray:
        return self.ball_diameter_m * np.sin(self.half_angle_rad / 2) ** 2

    def _cap_volume(self) -> FloatArray:
        """Volume of the phantom caps, pi s (3 a^2 + s^2) / 6 (Weisstein, "Spherical Cap", MathWorld)."""
        sagitta = self._sagitta()
        return np.pi * sagitta * (3 / 4 * self.chord_diameter_m**2 + sagitta**2) / 6


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
            f"chord diameter {chord[bad].flat[0] * 1e3:.6g} mm: must be above 0 mm and below the ball's "
            f"diameter, {ball_diameter_m * 1e3:.6g} mm"
        )
    return np.arcsin(chord / ball_diameter_m)


def solve_cavities(
    sections: Sections,
    ball_diameter_m: float,
    chord_diameter_m: ArrayLike,
    *,
    depth_m: ArrayLike | None = None,
    edge_angle_rad: ArrayLike | None = None,
    sides: ArrayLike = ROUND,
) -> Cavities:
    """Cavities of given chord diameters and either surface depths or edge angles.

    Parameters
    ----------
    sections : Sections
        Sections of the dimples; they broadcast with the measures.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    chord_diameter_m : array_like
        Chord diameters [m].
    depth_m, edge_angle_rad : array_like
        Surface depths [m], or edge angles [rad]; one of the two.
    sides : array_like of int
        Numbers of sides of polygonal perimeters, 4 to 8; 0 for round ones.

    Returns
    -------
    Cavities
        All measures.

    Raises
    ------
    InputError
        If no dimple has such a pair; the message gives the feasible range of the depth or edge angle. If an
        edge radius leaves nothing of the wall.
    TypeError
        If depth and edge angle are given both, or neither.
    """
    if (depth_m is None) == (edge_angle_rad is None):
        raise TypeError("either depth_m or edge_angle_rad makes a cavity of a chord diameter")
    wanted = depth_m if edge_angle_rad is None else edge_angle_rad
    chord, value, _, polygon = np.broadcast_arrays(
        np.asarray(chord_diameter_m, dtype=float), np.asarray(wanted, dtype=float), sections.joint, sides
    )
    beta = edge_half_angle(chord, ball_diameter_m)
    shaped = sections.broadcast(chord.shape)

    def cavities(wall: FloatArray) -> Cavities:
        return Cavities(shaped, ball_diameter_m, beta, wall, polygon)

    if edge_angle_rad is None:
        flat, deepest = cavities(0 * beta), cavities(np.pi / 2 - beta).depth_m
        sagitta = flat._sagitta()
        _refuse_outside("surface depth", "mm", 1e3 * value, 1e3 * chord, 1e3 * sagitta, 1e3 * deepest)
        wall = shaped.wall_from_chord_depth((value - sagitta) / (flat.chord_diameter_m / 2))
    else:
        _refuse_outside(
            "edge angle", "deg", np.degrees(value), 1e3 * chord, np.degrees(beta), np.full(beta.shape, 90.0)
        )
        wall = value - beta
    found = cavities(wall)
    check_roundings(found.sections, found.roundings())
    return found


def _refuse_outside(
    what: str, unit: str, value: FloatArray, chord_mm: FloatArray, low: FloatArray, high: FloatArray
) -> None:
    """Refuse values of a measure that are not inside the open range, with that range."""
    bad = ~((value > low) & (value < high))
    if bad.any():
        place = np.argmax(bad)
        beside = f"with chord diameter {chord_mm.flat[place]:.6g} mm"
        raise InputError(
            f"{what} {value.flat[place]:.6g} {unit} {beside}: must be above {_up(low.flat[place])} {unit} "
            f"and below {_down(high.flat[place])} {unit}"
        )


def _up(value: float) -> str:
    """Four decimals, rounded so that what is printed lies inside a range bounded below by `value`."""
    return f"{np.ceil(value * 1e4 - 1e-4) / 1e4 + 0.0:.4f}".rstrip("0").rstrip(".")


def _down(value: float) -> str:
    return f"{np.floor(value * 1e4 + 1e-4) / 1e4:.4f}".rstrip("0").rstrip(".")
