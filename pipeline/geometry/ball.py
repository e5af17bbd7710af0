"""The ball as a height field: one radius, and one normal, for each direction from its centre."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from pipeline.geometry.cavity import arc_chord_depth, arc_section_radius, edge_half_angle
from pipeline.geometry.layout import Layout

FloatArray = NDArray[np.float64]


class DimpledBall:
    """Phantom sphere with a spherical-arc cavity at each position of a layout.

    Parameters
    ----------
    layout : Layout
        Positions and chord diameters of n dimples that do not overlap; n = 0 gives the smooth ball.
    depths_m : array_like, shape (n,) or scalar
        Surface depths [m].
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Attributes
    ----------
    layout, ball_diameter_m
        As given.
    depths_m : ndarray, shape (n,)
        Surface depths [m].

    Raises
    ------
    InputError
        If a depth is not feasible for its chord diameter.

    Notes
    -----
    A direction x lies in the dimple with centre c and edge half angle beta when x.c > cos(beta). With caps
    that do not overlap, that dimple is the one of largest x.c - cos(beta) (a power diagram on the sphere).
    As |(x, 0) - (c, w)|^2 = 2 - 2 x.c + w^2, it is the nearest neighbour of (x, 0) among the points (c, w)
    in four dimensions with w^2 = 2 cos(beta) - 2 min cos(beta): one k-d tree serves any mixture of sizes.
    """

    def __init__(self, layout: Layout, depths_m: ArrayLike, ball_diameter_m: float) -> None:
        chords = layout.chord_diameters_m
        self.layout = layout
        self.ball_diameter_m = ball_diameter_m
        self.depths_m: FloatArray = np.broadcast_to(np.asarray(depths_m, dtype=float), chords.shape)
        beta = edge_half_angle(chords, ball_diameter_m)
        chord_depths = arc_chord_depth(chords, self.depths_m, ball_diameter_m)
        radius = ball_diameter_m / 2
        self._cos_beta = np.cos(beta)
        self._section_radii = arc_section_radius(chords, self.depths_m, ball_diameter_m)
        # Distance from the ball's centre to the centre of the arc's sphere, on the dimple's axis.
        self._arc_centres = radius * self._cos_beta + self._section_radii - chord_depths
        # Power of the ball's centre with respect to that sphere, without the cancellation of two squares.
        self._powers = radius**2 * np.cos(2 * beta) + 2 * radius * self._cos_beta * (
            self._section_radii - chord_depths
        )
        lift = np.sqrt(2 * self._cos_beta - 2 * self._cos_beta.min(initial=1.0))
        self._tree = cKDTree(np.column_stack([layout.directions, lift]))

    def radius(self, directions: FloatArray) -> FloatArray:
        """Distance from the ball's centre to its surface.

        Parameters
        ----------
        directions : ndarray, shape (m, 3)
            Unit vectors.

        Returns
        -------
        ndarray, shape (m,)
            Radii [m]; on the land exactly the phantom sphere's.
        """
        inside, dimple, cosine = self._dimples_at(directions)
        radii = np.full(len(directions), self.ball_diameter_m / 2)
        radii[inside] = self._arc_radius(dimple, cosine)
        return radii

    def normal(self, directions: FloatArray) -> FloatArray:
        """Outward unit normal of the surface.

        Parameters
        ----------
        directions : ndarray, shape (m, 3)
            Unit vectors.

        Returns
        -------
        ndarray, shape (m, 3)
            Unit normals; on the land the directions themselves, on a dimple's edge the land's.
        """
        normals = np.array(directions, dtype=float)
        inside, dimple, cosine = self._dimples_at(directions)
        if len(dimple):
            points = self._arc_radius(dimple, cosine)[:, None] * normals[inside]
            centres = self._arc_centres[dimple, None] * self.layout.directions[dimple]
            towards = centres - points
            normals[inside] = towards / np.linalg.norm(towards, axis=1, keepdims=True)
        return normals

    def _dimples_at(self, directions: FloatArray) -> tuple[NDArray[np.bool_], NDArray[np.int64], FloatArray]:
        """Mask of the directions in dimples; for those, the dimple and the cosine of the angle to it."""
        if self._tree.n == 0:
            nothing = np.zeros(len(directions), dtype=bool)
            return nothing, np.empty(0, dtype=np.int64), np.empty(0)
        lifted = np.column_stack([directions, np.zeros(len(directions))])
        dimple = self._tree.query(lifted)[1]
        cosine = np.einsum("md,md->m", directions, self.layout.directions[dimple])
        inside = cosine > self._cos_beta[dimple]
        return inside, dimple[inside], cosine[inside]

    def _arc_radius(self, dimple: NDArray[np.int64], cosine: FloatArray) -> FloatArray:
        """Radius at the nearer crossing of a ray with the arc's sphere.

        The quotient form of the quadratic's root stays accurate for cavities that are almost flat, whose
        section radius is huge. At the edge it equals the phantom radius but for rounding, which `minimum`
        takes away.
        """
        centre = self._arc_centres[dimple]
        section = self._section_radii[dimple]
        sine_square = np.maximum(1 - cosine * cosine, 0.0)
        root = np.sqrt(section**2 - centre**2 * sine_square)
        return np.minimum(self._powers[dimple] / (centre * cosine + root), self.ball_diameter_m / 2)
