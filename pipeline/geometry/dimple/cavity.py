"""Cavities: chord diameter, surface depth, chord depth, edge angle and volume, each from any two others.

With the phantom sphere's diameter D, the dimple's chord diameter c (edge radius a = c/2) and

    beta    half angle of the dimple's edge seen from the ball's centre, sin(beta) = c / D
    s       sagitta of the phantom cap that the dimple removes, s = D sin^2(beta/2)
    d, h    surface depth and chord depth, d = s + h
    gamma   wall angle at the edge, from the plane of the edge
    epsilon edge angle, from the phantom sphere's tangent, epsilon = beta + gamma
    V       volume removed, the phantom cap's plus that of the section below the plane of the edge

a section (`section.py`) gives h/a and V below the plane as growing functions of gamma, so that beta and one
measure make all others. A cavity must be concave (gamma > 0) and visible from the ball's centre
(epsilon < 90 deg), since the ball is a height field.

Of a polygon chord diameter and edge angle are those of the section through the middle of a side; with an edge
radius they are those of the sharp edge, where wall and phantom sphere would meet. The volume is the true one.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar

from pipeline.errors import InputError
from pipeline.geometry.dimple.perimeter import ROUND
from pipeline.geometry.dimple.rounding import Roundings, check_roundings, edge_roundings, removed_volume
from pipeline.geometry.dimple.section import Sections, bisected

FloatArray = NDArray[np.float64]

_SAMPLES = 2000
"""Half angles of the edge at which a measure is sampled to bracket a chord diameter."""


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
    sides: NDArray[np.int64]

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


@dataclass(frozen=True)
class _Measure:
    """A measure as it is named and shown in messages, and where `Cavities` has it."""

    title: str
    unit: str
    scale: float
    value: Callable[[Cavities], FloatArray]

    def shown(self, value: float) -> str:
        return f"{self.title} {value * self.scale:.6g} {self.unit}"


_MEASURES = {
    "chord_diameter_m": _Measure("chord diameter", "mm", 1e3, lambda c: c.chord_diameter_m),
    "depth_m": _Measure("surface depth", "mm", 1e3, lambda c: c.depth_m),
    "chord_depth_m": _Measure("chord depth", "mm", 1e3, lambda c: c.chord_depth_m),
    "edge_angle_rad": _Measure("edge angle", "deg", 180 / np.pi, lambda c: c.edge_angle_rad),
    "volume_m3": _Measure("volume", "mm3", 1e9, lambda c: c.volume_m3),
}


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
    sections: Sections, ball_diameter_m: float, sides: ArrayLike = ROUND, **measures: ArrayLike
) -> Cavities:
    """Cavities from any two of their measures.

    Parameters
    ----------
    sections : Sections
        Sections of the dimples; they broadcast with the measures.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    sides : array_like of int
        Numbers of sides of polygonal perimeters, 4 to 8; 0 for round ones.
    **measures : array_like
        Exactly two of ``chord_diameter_m``, ``depth_m`` (surface depth), ``chord_depth_m`` [m],
        ``edge_angle_rad`` [rad] and ``volume_m3`` [m^3]; they broadcast.

    Returns
    -------
    Cavities
        Where two chord diameters fit (a chord depth with an edge angle, for instance, belongs to a narrow
        dimple and to a wide one), the smaller.

    Raises
    ------
    InputError
        If no dimple has such a pair; the message gives the feasible range of the second measure. If an edge
        radius leaves nothing of the wall.
    TypeError
        If the measures are not two of those named.
    """
    if len(measures) != 2 or not set(measures) <= set(_MEASURES):
        raise TypeError(f"two of {', '.join(_MEASURES)} make a cavity, not {', '.join(measures) or 'none'}")
    first, second = sorted(measures, key=list(_MEASURES).index)
    pinned, wanted, _, polygon = np.broadcast_arrays(
        *(np.asarray(measures[name], dtype=float) for name in (first, second)), sections.joint, sides
    )
    shape = _Shape(sections.broadcast(pinned.shape), ball_diameter_m, polygon)
    if first == "chord_diameter_m":
        beta = edge_half_angle(pinned, ball_diameter_m)
    elif (first, second) == ("depth_m", "chord_depth_m"):
        _refuse_outside(first, pinned, second, wanted, 0 * pinned, pinned)
        beta = 2 * np.arcsin(np.sqrt((pinned - wanted) / ball_diameter_m))
        first, second, wanted, pinned = "chord_diameter_m", "depth_m", pinned, ball_diameter_m * np.sin(beta)
    else:
        beta = np.array(
            [
                _half_angle(shape.at(index), first, float(pinned[index]), second, float(wanted[index]))
                for index in np.ndindex(pinned.shape)
            ]
        ).reshape(pinned.shape)
        # The measure that is not the edge angle then pins the wall, so that both come back to rounding.
        first, second, wanted, pinned = (
            (first, second, wanted, pinned) if second != "volume_m3" else (second, first, pinned, wanted)
        )
    found = shape.cavities(beta, _wall(shape, beta, first, pinned, second, wanted))
    check_roundings(found.sections, found.roundings())
    return found


@dataclass(frozen=True)
class _Shape:
    """What is given of dimples before their measures are solved."""

    sections: Sections
    diameter: float
    sides: NDArray[np.int64]

    def at(self, index: tuple[int, ...]) -> "_Shape":
        return _Shape(self.sections.at(index), self.diameter, np.asarray(self.sides[index]))

    def cavities(self, beta: FloatArray, wall: FloatArray) -> Cavities:
        return Cavities(self.sections, self.diameter, beta, wall, self.sides)


def _wall(
    shape: _Shape, beta: FloatArray, first: str, pinned: FloatArray, second: str, wanted: FloatArray
) -> FloatArray:
    """Wall angles at which the measure `second` has the values wanted, or a refusal with their range."""
    ends = [
        _MEASURES[second].value(shape.cavities(beta, wall))
        for wall in (np.full(beta.shape, 1e-12), np.pi / 2 - beta)
    ]
    if second == "edge_angle_rad":
        ends = [beta, np.full(beta.shape, np.pi / 2)]
    elif second in ("depth_m", "chord_depth_m"):
        ends[0] = shape.cavities(beta, 0 * beta)._sagitta() * (second == "depth_m")
    _refuse_outside(first, pinned, second, wanted, *ends)
    return _wall_from(shape, beta, second, wanted)


def _wall_from(shape: _Shape, beta: FloatArray, name: str, value: FloatArray) -> FloatArray:
    """Wall angles [rad] of dimples with half angles `beta` whose measure has the values given."""
    flat = shape.cavities(beta, 0 * beta)
    edge = flat.chord_diameter_m / 2
    if name == "edge_angle_rad":
        return value - beta
    if name == "volume_m3":
        return bisected(lambda wall: shape.cavities(beta, wall).volume_m3, value)
    chord_depth = value - flat._sagitta() if name == "depth_m" else value
    return shape.sections.wall_from_chord_depth(chord_depth / edge)


def _half_angle(shape: _Shape, first: str, pinned: float, second: str, wanted: float) -> float:
    """Half angle of the edge of one dimple from two measures, none of them the chord diameter."""
    diameter = shape.diameter
    if "edge_angle_rad" in (first, second):
        # The edge angle gives the wall angle of every half angle at once.
        angle = pinned if first == "edge_angle_rad" else wanted
        _refuse_outside("", None, "edge_angle_rad", angle, 0.0, np.pi / 2)
        other, value = (second, wanted) if first == "edge_angle_rad" else (first, pinned)
        given, given_value, highest = "edge_angle_rad", angle, angle
    else:
        given, given_value, other, value = first, pinned, second, wanted
        if first == "depth_m":
            _refuse_outside("", None, "depth_m", pinned, 0.0, diameter / 2)
        highest = 2 * np.arcsin(np.sqrt(min(pinned / diameter, 0.5))) if first == "depth_m" else np.pi / 2

    def measured(beta: FloatArray) -> FloatArray:
        with np.errstate(invalid="ignore"):
            wall = _wall_from(shape, beta, given, np.full(np.shape(beta), given_value))
            found = _MEASURES[other].value(shape.cavities(beta, wall))
        return np.where((wall >= 0) & (wall + beta <= np.pi / 2), found, np.nan)

    betas = highest * np.linspace(1e-9, 1 - 1e-9, _SAMPLES)
    values = measured(betas)
    feasible = np.flatnonzero(np.isfinite(values))
    if not feasible.size:
        raise InputError(f"{_MEASURES[given].shown(given_value)}: no dimple on this ball has it")
    start = feasible[0]
    falls = np.flatnonzero(np.diff(values[start:]) <= 0)
    top = start + (falls[0] if falls.size else len(feasible) - 1)
    peak = betas[top]
    if falls.size:
        around = betas[max(top - 1, start)], betas[min(top + 1, _SAMPLES - 1)]
        peak = minimize_scalar(lambda b: -float(measured(np.array(b))), bounds=around, method="bounded").x
    low, high = values[start], float(measured(np.array(peak)))
    _refuse_outside(given, np.array(given_value), other, np.array(value), np.array(low), np.array(high))
    return float(
        brentq(lambda b: float(measured(np.array(b))) - value, betas[start], peak, xtol=1e-16, rtol=1e-14)
    )


def _refuse_outside(
    first: str,
    pinned: ArrayLike | None,
    second: str,
    wanted: ArrayLike,
    lowest: ArrayLike,
    highest: ArrayLike,
) -> None:
    """Refuse values of a measure that are not inside the open range, with that range."""
    value, low, high = np.broadcast_arrays(wanted, lowest, highest)
    bad = ~((value > low) & (value < high))
    if not bad.any():
        return
    place = np.argmax(bad)
    measure = _MEASURES[second]
    beside = f" with {_MEASURES[first].shown(np.asarray(pinned).flat[place])}" if first else ""
    raise InputError(
        f"{measure.shown(value.flat[place])}{beside}: must be above {_up(low.flat[place] * measure.scale)} "
        f"{measure.unit} and below {_down(high.flat[place] * measure.scale)} {measure.unit}"
    )


def _up(value: float) -> str:
    """Four decimals, rounded so that what is printed lies inside a range bounded below by `value`."""
    return f"{np.ceil(value * 1e4 - 1e-4) / 1e4 + 0.0:.4f}".rstrip("0").rstrip(".")


def _down(value: float) -> str:
    return f"{np.floor(value * 1e4 + 1e-4) / 1e4:.4f}".rstrip("0").rstrip(".")
