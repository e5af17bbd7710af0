"""Perimeters of dimples: circles, or regular polygons whose sides are great circles.

A polygon is named by the circle inscribed in it, so that its chord diameter is that across flats, twice the
distance from the axis to a side, and sections through the middle of a side are those of a round dimple. With
phi the azimuth about the axis from the middle of the nearest side, its edge lies at

    tan(theta) = tan(beta) / cos(phi)

(Napier's rules for the right-angled spherical triangle), and inside it the surface at (theta, phi) is as deep
as the section at tan(theta') = tan(theta) cos(phi): lines of equal depth are similar polygons.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import FloatArray, IntArray

ROUND = 0
"""Number of sides of a circle."""

FEWEST_SIDES, MOST_SIDES = 4, 8

_UNDECIDED = 1e-6
"""Neighbours whose pull on the sides is a smaller share of its greatest possible value have none."""

_NEARNESS = 8
"""Power with which the pull of a neighbour falls with its distance."""


@dataclass(frozen=True)
class Perimeters:
    """Places and perimeters of n dimples.

    Attributes
    ----------
    directions : ndarray, shape (n, 3)
        Unit vectors to the dimples' centres.
    sides : ndarray of int, shape (n,)
        4 to 8, or `ROUND`.
    turns_rad : ndarray, shape (n,)
        Azimuth about the dimple's axis of the middle of a side [rad], from the direction away from the pole
        +z, counter-clockwise seen from outside; of no matter for a circle.
    """

    directions: FloatArray
    sides: IntArray
    turns_rad: FloatArray

    def section_cosine(self, dimple: IntArray, directions: FloatArray) -> FloatArray:
        """Cosine of the angle theta' at which the section is as deep as the dimple in given directions.

        Parameters
        ----------
        dimple : ndarray of int, shape (m,)
            Dimple of each direction.
        directions : ndarray, shape (m, 3)
            Unit vectors.

        Returns
        -------
        ndarray, shape (m,)
            cos(theta'); of a round dimple that of the angle to its axis.
        """
        along = np.einsum("md,md->m", directions, self.directions[dimple])
        polygon = np.flatnonzero(self.sides[dimple])
        if polygon.size:
            first, second = self._across(dimple[polygon], directions[polygon])
            away = np.hypot(first, second) * self._nearest_side(dimple[polygon], np.arctan2(second, first))
            along[polygon] /= np.hypot(along[polygon], away)
        return np.asarray(along)

    def section_cosine_gradient(
        self, dimple: IntArray, directions: FloatArray, cosine: FloatArray
    ) -> FloatArray:
        """Gradient of -cos(theta') on the unit sphere, shape (m, 3), at what `section_cosine` gave.

        theta' is the angle between the axis and the direction projected at right angles to the nearest side,
        (w, q) with w along the axis and q towards the side: its gradient is (w m - q c) / (w^2 + q^2).
        """
        axis = self.directions[dimple]
        towards = directions - np.einsum("md,md->m", directions, axis)[:, None] * axis
        polygon = np.flatnonzero(self.sides[dimple])
        if polygon.size:
            of = dimple[polygon]
            step = 2 * np.pi / self.sides[of]
            first, second = self._across(of, directions[polygon])
            side = self.turns_rad[of] + np.round(np.arctan2(second, first) / step) * step
            away, beside = (frame[of] for frame in _frames(self.directions))
            normal = np.cos(side)[:, None] * away + np.sin(side)[:, None] * beside
            towards[polygon] = np.einsum("md,md->m", directions[polygon], normal)[:, None] * normal
        # towards = q m; sin(theta') grad(theta') = q (w m - q c) / (w^2 + q^2)^(3/2)
        square = np.einsum("md,md->m", towards, towards)
        along = np.einsum("md,md->m", directions, axis)
        total = (square + along * along)[:, None]
        return np.asarray((along[:, None] * towards - square[:, None] * axis) / total**1.5)

    def half_angle(self, dimple: IntArray, directions: FloatArray, beta: FloatArray) -> FloatArray:
        """Angle from a dimple's axis to its edge, on the side of given directions [rad], shape (m,).

        Parameters
        ----------
        dimple, directions
            As for `section_cosine`.
        beta : ndarray, shape (n,)
            Half angles of the inscribed circles [rad].
        """
        angle = beta[dimple]
        polygon = np.flatnonzero(self.sides[dimple])
        if polygon.size:
            of = dimple[polygon]
            first, second = self._across(of, directions[polygon])
            angle[polygon] = np.arctan(np.tan(beta[of]) / self._nearest_side(of, np.arctan2(second, first)))
        return angle

    def outlines(self, beta: FloatArray, azimuths_rad: FloatArray) -> FloatArray:
        """Directions along the edge of each dimple, shape (n, k, 3), at k azimuths from a side's middle."""
        first, second = _frames(self.directions)
        turn = self.turns_rad[:, None] + azimuths_rad
        stretch = np.ones(turn.shape)
        polygon = self.sides > 0
        stretch[polygon] = _folded(azimuths_rad[None], self.sides[polygon, None])
        angle = np.arctan(np.tan(beta)[:, None] / stretch)[..., None]
        across = np.cos(turn)[..., None] * first[:, None] + np.sin(turn)[..., None] * second[:, None]
        return np.cos(angle) * self.directions[:, None] + np.sin(angle) * across

    def corners(self, beta: FloatArray) -> FloatArray:
        """Corners of each polygon, shape (n, 8, 3), the last repeated; of a circle its centre."""
        first, second = _frames(self.directions)
        sides = np.maximum(self.sides, 1)
        corner = np.minimum(np.arange(MOST_SIDES), sides[:, None] - 1)
        turn = self.turns_rad[:, None] + (2 * corner + 1) * np.pi / sides[:, None]
        angle = np.where(self.sides > 0, corner_half_angle(beta, self.sides), 0.0)[:, None, None]
        across = np.cos(turn)[..., None] * first[:, None] + np.sin(turn)[..., None] * second[:, None]
        return np.asarray(np.cos(angle) * self.directions[:, None] + np.sin(angle) * across)

    def _across(self, dimple: IntArray, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Components of the directions across their dimple's axis, the first towards a side's middle."""
        first, second = _frames(self.directions)
        cosine, sine = np.cos(self.turns_rad)[:, None], np.sin(self.turns_rad)[:, None]
        towards, beside = cosine * first + sine * second, cosine * second - sine * first
        return (
            np.einsum("md,md->m", directions, towards[dimple]),
            np.einsum("md,md->m", directions, beside[dimple]),
        )

    def _nearest_side(self, dimple: IntArray, azimuth: FloatArray) -> FloatArray:
        return _folded(azimuth, self.sides[dimple])


def corner_half_angle(beta: FloatArray, sides: IntArray) -> FloatArray:
    """Angle from the axis to the corners [rad]: arctan(tan(beta) / cos(pi / n)); beta of a circle."""
    return np.where(sides > 0, np.arctan(np.tan(beta) / np.cos(np.pi / np.maximum(sides, 3))), beta)


def inscribed_half_angle(corner_rad: FloatArray, sides: int) -> FloatArray:
    """Half angle of the inscribed circle [rad] of polygons that reach to `corner_rad`."""
    return np.arctan(np.tan(corner_rad) * np.cos(np.pi / sides)) if sides else corner_rad


def solid_angle(beta: FloatArray, sides: IntArray) -> FloatArray:
    """Solid angle inside a perimeter [sr].

    Parameters
    ----------
    beta : ndarray
        Half angles of the circles, or of those inscribed in the polygons [rad].
    sides : ndarray of int
        Numbers of sides; broadcasts with `beta`.

    Returns
    -------
    ndarray
        4 pi sin^2(beta/2) of a circle (Archimedes); of a polygon its angles' sum less (n - 2) pi (Girard),
        each of them 2 arccos(cos(beta) sin(pi/n)) (Napier).
    """
    n = np.maximum(sides, 3)
    polygon = 2 * n * np.arccos(np.cos(beta) * np.sin(np.pi / n)) - (n - 2) * np.pi
    return np.where(sides > 0, polygon, 4 * np.pi * np.sin(beta / 2) ** 2)


def facing_turns(directions: FloatArray, sides: IntArray) -> FloatArray:
    """Turns [rad], shape (n,), at which the sides of polygons face their neighbours.

    The sum of exp(i n psi) over all other dimples, psi their azimuths, weighted by a high power of their
    nearness, gives the n-fold direction of the neighbourhood. It turns, and is mirrored, with the layout;
    where it vanishes (a square with five neighbours) a side faces away from the pole.
    """
    first, second = _frames(directions)
    turns = np.zeros(len(directions))
    for begin in range(0, len(directions), 256):
        rows = np.arange(begin, min(begin + 256, len(directions)))
        rows = rows[sides[rows] > 0]
        if not rows.size:
            continue
        towards = first[rows] @ directions.T + 1j * (second[rows] @ directions.T)
        distance = np.arccos(np.clip(directions[rows] @ directions.T, -1.0, 1.0))
        distance[np.arange(len(rows)), rows] = np.inf
        weight = (distance.min(axis=1, keepdims=True) / distance) ** _NEARNESS
        azimuth = np.angle(towards)
        pull = np.sum(weight * np.exp(1j * sides[rows, None] * azimuth), axis=1)
        decided = np.abs(pull) > _UNDECIDED * weight.sum(axis=1)
        turns[rows] = np.where(decided, np.angle(pull) / sides[rows], 0.0)
    return turns


def hull_distance(one: FloatArray, other: FloatArray) -> FloatArray:
    """Angle between convex spherical polygons [rad], less than 0 where they overlap.

    Parameters
    ----------
    one, other : ndarray, shape (m, k, 3)
        Corners in order, counter-clockwise seen from outside; they may be repeated, down to a single point.

    Returns
    -------
    ndarray, shape (m,)
        Smallest angle between a corner and a side. Disjoint polygons have a great circle through a side of
        one of them that separates them; where there is none, the least depth below such a circle, negative.
    """
    nearest = np.full(len(one), np.pi)
    apart = np.full(len(one), -np.pi)
    for a, b in ((one, other), (other, one)):
        ahead = np.roll(a, -1, axis=1)
        normal = np.cross(a, ahead)
        size = np.linalg.norm(normal, axis=2, keepdims=True)
        normal = np.divide(normal, size, out=np.zeros_like(normal), where=size > 1e-12)
        # Of corner j of b against side i of a, shape (m, i, j).
        height = np.einsum("mid,mjd->mij", normal, b)
        foot = (np.einsum("mid,mjd->mij", np.cross(normal, a), b) > 0) & (
            np.einsum("mid,mjd->mij", np.cross(ahead, normal), b) > 0
        )
        to_corner = np.arccos(np.clip(np.einsum("mid,mjd->mij", a, b), -1.0, 1.0))
        to_side = np.where(foot, np.abs(np.arcsin(np.clip(height, -1.0, 1.0))), np.pi)
        nearest = np.minimum(nearest, np.minimum(to_corner, to_side).min(axis=(1, 2)))
        outside = np.where(size[..., 0] > 1e-12, -np.arcsin(np.clip(height, -1.0, 1.0)).max(axis=2), -np.pi)
        apart = np.maximum(apart, outside.max(axis=1))
    points = (np.ptp(one, axis=1).max(axis=1) < 1e-12) & (np.ptp(other, axis=1).max(axis=1) < 1e-12)
    return np.where((apart > 0) | points, nearest, apart)


def _folded(azimuth: FloatArray, sides: IntArray) -> FloatArray:
    """Cosine of the azimuth from the middle of the nearest of n sides, one of which is at 0."""
    step = 2 * np.pi / sides
    return np.cos(azimuth - np.round(azimuth / step) * step)


def _frames(directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit vectors away from the pole +z (towards +x at the poles) and eastward, of each direction."""
    x, y, z = directions.T
    sine = np.hypot(x, y)
    at_pole = sine < 1e-12
    cosine_azimuth = np.where(at_pole, 1.0, x / np.where(at_pole, 1.0, sine))
    sine_azimuth = np.where(at_pole, 0.0, y / np.where(at_pole, 1.0, sine))
    first = np.stack([z * cosine_azimuth, z * sine_azimuth, -sine], axis=1)
    return first, np.stack([-sine_azimuth, cosine_azimuth, np.zeros(len(x))], axis=1)
