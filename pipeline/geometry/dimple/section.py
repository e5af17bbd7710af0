"""Sections of dimples (the study's `profile`) below the plane of the edge, in units of the edge's radius.

Four families, all with a bottom that is level at the axis and a wall that rises to the edge at the wall angle
gamma, measured from the plane of the edge (the edge angle is gamma plus the edge's half angle seen from the
ball's centre):

    arc         one circular arc from edge to edge: a spherical cap
    two-radius  a bottom arc as far as the joint, then an arc of another radius, tangent to it, to the edge
    cone        a bottom arc as far as the joint, then a straight wall, tangent to it: a truncated cone with a
                rounded bottom
    catenary    a hanging chain, z = k (cosh(s/k) - 1)

The first three are one family. With the joint at the share j of the edge radius, the bottom's slope there
theta, and q the curvature of the outer arc over that of the bottom (1 for the arc, 0 for the cone), tangency
at the joint asks for

    sin(gamma) = sin(theta) (1 + q (1 - j) / j),

and since a chord of a circle rises at the mean of its ends' slopes, the chord depth over the edge radius is

    h / a = j tan(theta / 2) + (1 - j) tan((theta + gamma) / 2).

The catenary with k = a / m has sinh(m) = tan(gamma) and h / a = (1/cos(gamma) - 1) / m.

All measures are those of the sharp edge. Where there is an edge radius, an arc of it tangent to wall and
phantom sphere takes the edge's place (`rounding.py`).
"""

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.arrays import BoolArray, FloatArray
from pipeline.errors import InputError

PROFILES = ("arc", "two-radius", "cone", "catenary")
JOINTED = ("two-radius", "cone")
"""Profiles that need a joint."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_BISECTIONS = 70
"""Halvings of a right angle until nothing is left in double precision."""


@dataclass(frozen=True)
class Profile:
    """Shape of a dimple's section, whatever its size.

    Attributes
    ----------
    name : str
        ``arc``, ``two-radius``, ``cone`` or ``catenary``.
    joint : float or None
        Radius at which the bottom arc ends, as a share of the edge's, above 0 and below 1; of ``two-radius``
        and ``cone`` only.
    radius_ratio : float or None
        Radius of the outer arc over that of the bottom arc, above 0; of ``two-radius`` only.
    edge_radius_m : float
        Radius that rounds the edge between wall and land [m]; 0 for a sharp edge.

    Raises
    ------
    InputError
        If a measure is missing, out of range, or does not go with the profile.
    """

    name: str = "arc"
    joint: float | None = None
    radius_ratio: float | None = None
    edge_radius_m: float = 0.0

    def __post_init__(self) -> None:
        if self.name not in PROFILES:
            raise InputError(f"profile {self.name!r}: must be one of {', '.join(PROFILES)}")
        if (self.joint is not None) != (self.name in JOINTED):
            raise InputError(f"profile {self.name}: joint {_goes_with(self.name in JOINTED)}")
        if self.joint is not None and not 0 < self.joint < 1:
            raise InputError(f"profile {self.name}: joint {self.joint:g} must be above 0 and below 1")
        if (self.radius_ratio is not None) != (self.name == "two-radius"):
            raise InputError(f"profile {self.name}: radius_ratio {_goes_with(self.name == 'two-radius')}")
        if self.radius_ratio is not None and not self.radius_ratio > 0:
            raise InputError(f"profile {self.name}: radius_ratio {self.radius_ratio:g} must be above 0")
        if not self.edge_radius_m >= 0:
            raise InputError(f"edge radius {1e3 * self.edge_radius_m:g} mm: must be 0 mm or more")


def _goes_with(wanted: bool) -> str:
    return "is missing" if wanted else "does not go with it"


ARC = Profile()


@dataclass(frozen=True)
class Sections:
    """Sections of n dimples, or one for all of them (arrays of shape ()).

    Attributes
    ----------
    joint : ndarray, shape (n,) or ()
        Radius of the joint as a share of the edge's.
    curvature_ratio : ndarray, shape (n,) or ()
        Curvature of the outer arc over that of the bottom arc: 1 for an arc, 0 for a cone.
    catenary : ndarray of bool, shape (n,) or ()
        Whether the section is a catenary; the other two do not matter then.
    edge_radius_m : ndarray, shape (n,) or ()
        Radius of the rounded edge [m], 0 for a sharp one.
    """

    joint: FloatArray
    curvature_ratio: FloatArray
    catenary: BoolArray
    edge_radius_m: FloatArray

    @classmethod
    def of(cls, profiles: Profile | Sequence[Profile]) -> "Sections":
        """Sections of one profile for all dimples, or of one for each."""
        if isinstance(profiles, Profile):
            return cls(*(np.array(value) for value in _numbers(profiles)))
        columns = zip(*(_numbers(profile) for profile in profiles), strict=True) if profiles else [()] * 4
        joint, ratio, catenary, rounded = columns
        return cls(
            np.array(joint, dtype=float),
            np.array(ratio, dtype=float),
            np.array(catenary, dtype=bool),
            np.array(rounded, dtype=float),
        )

    def at(self, dimple: int | tuple[int, ...]) -> "Sections":
        """Section of one of n dimples, with arrays of shape ()."""
        return self._each(lambda values: np.asarray(values[dimple]))

    def broadcast(self, shape: tuple[int, ...]) -> "Sections":
        """Sections with arrays of a shape."""
        return self._each(lambda values: np.broadcast_to(values, shape))

    def _each(self, change: Callable[[NDArray[Any]], NDArray[Any]]) -> "Sections":
        return Sections(*(change(getattr(self, field.name)) for field in dataclasses.fields(self)))

    def bottom_angle(self, wall_rad: FloatArray) -> FloatArray:
        """Slope of the bottom arc at the joint [rad], from the wall angle [rad]."""
        outward = self.curvature_ratio * (1 - self.joint) / self.joint
        return np.arcsin(np.sin(wall_rad) / (1 + outward))

    def chord_depth(self, wall_rad: FloatArray) -> FloatArray:
        """Chord depth over the edge radius, from the wall angle [rad]; it grows with that angle."""
        bottom = self.bottom_angle(wall_rad)
        jointed = self.joint * np.tan(bottom / 2) + (1 - self.joint) * np.tan((bottom + wall_rad) / 2)
        # 1/cos - 1 = tan tan(half), without cancellation
        hanging = np.tan(wall_rad) * np.tan(wall_rad / 2) / chain_parameter(wall_rad)
        return np.where(self.catenary, hanging, jointed)

    def volume(self, wall_rad: FloatArray) -> FloatArray:
        """Volume below the plane of the edge over the cube of the edge radius, from the wall angle [rad].

        Discs, pi int s^2 dz, along each piece by 24-point Gauss-Legendre quadrature. Of arcs and lines the
        variable is the slope, which makes the integrand entire; so is the catenary's. The result is exact to
        rounding.
        """
        bottom = self.bottom_angle(wall_rad)
        jointed = _disc_volume(0.0, self.joint, 0.0, bottom)
        jointed = jointed + _disc_volume(self.joint, 1.0, bottom, wall_rad)
        m = chain_parameter(wall_rad)[..., None]
        s = (_NODES + 1) / 2
        hanging = np.pi / 2 * (s**2 * np.sinh(m * s)) @ _WEIGHTS
        return np.where(self.catenary, hanging, jointed)

    def wall_point(self, wall_rad: FloatArray, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Height over the plane of the edge, over the edge radius, and slope [rad] at a radius.

        Parameters
        ----------
        wall_rad : ndarray
            Wall angles at the edge [rad].
        share : ndarray
            Radius as a share of the edge's, 0 to 1; broadcasts with the sections.

        Returns
        -------
        height, slope : ndarray
            The height is 0 at the edge and below 0 inside.
        """
        bottom = self.bottom_angle(wall_rad)
        curvature = np.sin(bottom) / self.joint
        inner = np.arcsin(np.minimum(curvature * share, 1.0))
        outer = np.arcsin(np.sin(wall_rad) - curvature * self.curvature_ratio * (1 - share))
        m = chain_parameter(wall_rad)
        in_bottom = share < self.joint
        slope = np.where(in_bottom, inner, outer)
        height = np.where(
            in_bottom,
            share * np.tan(inner / 2) - self.chord_depth(wall_rad),
            (share - 1) * np.tan((outer + wall_rad) / 2),
        )
        hanging = 2 * np.sinh(m * share / 2) ** 2 / m - self.chord_depth(wall_rad)
        return (
            np.where(self.catenary, hanging, height),
            np.where(self.catenary, np.arctan(np.sinh(m * share)), slope),
        )

    def wall_from_chord_depth(self, chord_depth: FloatArray) -> FloatArray:
        """Wall angle [rad] from the chord depth over the edge radius, both above 0."""
        arc = 2 * np.arctan(chord_depth)
        plain = ~self.catenary & (self.curvature_ratio == 1)
        if plain.all():
            return arc
        return np.where(plain, arc, _bisected(self.chord_depth, chord_depth))


def chain_parameter(wall_rad: FloatArray) -> FloatArray:
    """Edge radius over the catenary's constant k, m = arsinh(tan gamma)."""
    return np.arcsinh(np.tan(wall_rad))


def _numbers(profile: Profile) -> tuple[float, float, bool, float]:
    ratio = {"cone": 0.0, "two-radius": 1 / (profile.radius_ratio or 1.0)}.get(profile.name, 1.0)
    joint = 0.5 if profile.joint is None else profile.joint
    return joint, ratio, profile.name == "catenary", profile.edge_radius_m


def _disc_volume(
    inner: FloatArray | float, outer: FloatArray | float, start: FloatArray | float, end: FloatArray
) -> FloatArray:
    """Pi int s^2 dz along an arc (or line) from radius `inner` at slope `start` to `outer` at slope `end`."""
    start, end = np.broadcast_arrays(start, end)
    t = (_NODES + 1) / 2
    half = (end - start)[..., None] / 2
    middle = (end + start)[..., None] / 2
    slope = start[..., None] + 2 * half * t
    inner, width = np.asarray(inner)[..., None], np.asarray(outer)[..., None] - np.asarray(inner)[..., None]
    # sin(slope) - sin(start) over sin(end) - sin(start); sinc carries the limit of the line, half = 0
    full = np.sinc(half / np.pi) * np.cos(middle)
    share = t * np.sinc(half * t / np.pi) * np.cos(start[..., None] + half * t) / full
    return np.pi / 2 * ((inner + width * share) ** 2 * np.sin(slope) * width / full) @ _WEIGHTS


def _bisected(measure: Callable[[FloatArray], FloatArray], wanted: FloatArray) -> FloatArray:
    """Angle between 0 and pi/2 at which a measure that grows with it has the values wanted."""
    low, high = np.zeros(np.shape(wanted)), np.full(np.shape(wanted), np.pi / 2)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        below = measure(middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)
