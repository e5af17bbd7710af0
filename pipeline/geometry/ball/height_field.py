"""The ball as a height field: one radius, and one normal, for each direction from its centre."""

import dataclasses

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from pipeline.arrays import BoolArray, FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.geometry.dimple.cavity import Cavities, solve_cavities
from pipeline.geometry.dimple.perimeter import corner_half_angle, solid_angle
from pipeline.geometry.dimple.section import ARC, Sections, chain_parameter
from pipeline.geometry.layout.layout import LAND_ROUNDING_M, Layout, narrowest_land

_POLYGONS_TRIED = 4
"""Dimples whose circumscribed circles may hold a direction and that are looked into."""

_NEWTON_STEPS = 8
"""More than enough: from the arc through bottom and edge four steps reach rounding for golf-ball dimples."""


class DimpledBall:
    """Phantom sphere with a cavity at each position of a layout.

    Parameters
    ----------
    layout : Layout
        Positions and chord diameters of n dimples that do not overlap; n = 0 gives the smooth ball.
    depths_m : array_like, shape (n,) or scalar
        Surface depths [m].
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    sections : Sections, optional
        Sections of the dimples, spherical arcs when absent.

    Attributes
    ----------
    layout, ball_diameter_m
        As given.
    depths_m : ndarray, shape (n,)
        Surface depths [m].
    cavities : Cavities
        All measures of the dimples.

    Raises
    ------
    InputError
        If a depth is not feasible for its chord diameter, or edges' roundings overlap.

    Notes
    -----
    A direction x lies in the dimple with centre c and edge half angle beta when x.c > cos(beta). With caps
    that do not overlap, that dimple is the one of largest x.c - cos(beta) (a power diagram on the sphere).
    |x - c|^2 = 2 - 2 x.c turns this into the nearest neighbour of (x, 0) among the points (c, w)
    in four dimensions with w^2 = 2 cos(beta) - 2 min cos(beta): one k-d tree serves any mixture of sizes.

    Polygons may reach into each other's circumscribed circles, so that several of the nearest are tried for
    them; inside one, the section is met at the angle that `Perimeters.section_cosine` gives.

    A section is made of three pieces, each an arc or a line: bottom, wall and rounded edge. A ray
    t (sin theta, cos theta) in the meridian plane meets the piece through the point p with unit normal n
    (towards its centre) and curvature k where

        k t^2 - 2 t (sin theta, cos theta).(k p + n) + k p.p + 2 p.n = 0,

    whose nearer root, written as a quotient, is accurate for any curvature down to none. The rounded edge's
    centre lies in the ball: with -n and -k the same quotient is the farther root.
    """

    layout: Layout
    ball_diameter_m: float
    depths_m: FloatArray
    cavities: Cavities

    def __init__(
        self,
        layout: Layout,
        depths_m: ArrayLike,
        ball_diameter_m: float,
        sections: Sections | None = None,
    ) -> None:
        chords = layout.chord_diameters_m
        self.layout = layout
        self.ball_diameter_m = ball_diameter_m
        self.depths_m = np.broadcast_to(np.asarray(depths_m, dtype=float), chords.shape)
        self.perimeters = layout.perimeters
        self.cavities = solve_cavities(
            Sections.of(ARC) if sections is None else sections,
            ball_diameter_m,
            chords,
            depth_m=self.depths_m,
            sides=self.perimeters.sides,
        )
        self._roundings = self.cavities.roundings()
        self._check_land()
        self._cos_edge = np.cos(self._roundings.outer_rad)
        self._set_pieces()
        self._catenary = self.cavities.sections.catenary
        self._chain = chords / 2 / chain_parameter(self.cavities.wall_rad)
        corner = np.cos(self.reach_rad)
        lift = np.sqrt(2 * corner - 2 * corner.min(initial=1.0))
        self._tree = cKDTree(np.column_stack([layout.directions, lift]))
        self._tried = min(_POLYGONS_TRIED if self.perimeters.sides.any() else 1, len(chords))

    @property
    def solid_angles(self) -> FloatArray:
        """Solid angles inside the sharp edges, shape (n,) [sr]."""
        return solid_angle(self.cavities.half_angle_rad, self.perimeters.sides)

    @property
    def outer_rad(self) -> FloatArray:
        """Half angles at which dimples end, shape (n,): their edges', or rounded edges' outer ends [rad]."""
        return self._roundings.outer_rad

    @property
    def reach_rad(self) -> FloatArray:
        """Half angles of the circles that hold whole dimples, shape (n,) [rad]."""
        return corner_half_angle(self.outer_rad, self.perimeters.sides)

    def _check_land(self) -> None:
        """Refuse rounded edges that meet those of other dimples."""
        rounded = self.cavities.sections.edge_radius_m
        if not rounded.any():
            return
        wider = self.ball_diameter_m * np.sin(self.outer_rad)
        land = narrowest_land(dataclasses.replace(self.layout, chord_diameters_m=wider), self.ball_diameter_m)
        if land is not None and land < -LAND_ROUNDING_M:
            raise InputError(
                f"edge radius {1e3 * rounded.max():g} mm: roundings of two dimples' edges overlap by "
                f"{-1e3 * land:.3g} mm; a smaller one, or a wider land, keeps them apart"
            )

    def _set_pieces(self) -> None:
        """Coefficients of the ray's quadratic, shape (3 n,): bottom, wall and rounded edge of each dimple."""
        cavities, sections, rounded = self.cavities, self.cavities.sections, self._roundings
        edge, radius = self.layout.chord_diameters_m / 2, self.ball_diameter_m / 2
        wall, bottom = cavities.wall_rad, sections.bottom_angle(cavities.wall_rad)
        bottom_curvature = np.sin(bottom) / (sections.joint * edge)
        wall_curvature = sections.curvature_ratio * bottom_curvature
        lowest, level = radius - self.depths_m, radius * np.cos(cavities.half_angle_rad)
        joint_height = lowest + sections.joint * edge * np.tan(bottom / 2)
        sharp = sections.edge_radius_m == 0
        self._cos_joint = joint_height / np.hypot(joint_height, sections.joint * edge)
        self._cos_rounding = np.where(sharp, -2.0, np.cos(rounded.inner_rad))
        edge_curvature = -1 / np.where(sharp, radius / 2, sections.edge_radius_m)

        def pieces(*of: FloatArray) -> FloatArray:
            return np.stack(of, axis=1).ravel()

        sine, cosine = np.sin(wall), np.cos(wall)
        self._curvature = pieces(bottom_curvature, wall_curvature, edge_curvature)
        # k p + n, away from the dimple's axis and along it; p of the rounded edge is where it meets the land
        self._across = pieces(
            0 * edge,
            wall_curvature * edge - sine,
            (edge_curvature * radius + 1) * np.sin(rounded.outer_rad),
        )
        self._along = pieces(
            bottom_curvature * lowest + 1,
            wall_curvature * level + cosine,
            (edge_curvature * radius + 1) * np.cos(rounded.outer_rad),
        )
        # k p.p + 2 p.n
        self._constant = pieces(
            bottom_curvature * lowest**2 + 2 * lowest,
            wall_curvature * radius**2 + 2 * (level * cosine - edge * sine),
            edge_curvature * radius**2 + 2 * radius,
        )

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
        radii[inside] = self._cavity_radius(dimple, cosine)
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
            radii = self._cavity_radius(dimple, cosine)
            sine = np.sqrt(np.maximum(1 - cosine * cosine, np.finfo(float).tiny))
            piece = self._piece(dimple, cosine)
            # away from the axis (over sin theta) and along it, towards the centre of curvature
            across = self._across[piece] / sine - self._curvature[piece] * radii
            along = self._along[piece] - self._curvature[piece] * radii * cosine
            hanging = self._catenary[dimple] & (piece % 3 < 2)
            if hanging.any():
                slope = np.sinh(radii[hanging] * sine[hanging] / self._chain[dimple[hanging]])
                across[hanging], along[hanging] = -slope / sine[hanging], 1.0
            # the section's slope -d log(r) / d theta', over sin(theta'), and the gradient of -cos(theta')
            steepness = (across * cosine - along) / (across * sine * sine + along * cosine)
            direction = normals[inside]
            rising = self.perimeters.section_cosine_gradient(dimple, direction, cosine)
            outward = direction + steepness[:, None] * rising
            normals[inside] = outward / np.linalg.norm(outward, axis=1, keepdims=True)
        return normals

    def _dimples_at(self, directions: FloatArray) -> tuple[BoolArray, IntArray, FloatArray]:
        """Mask of the directions in dimples; for those, the dimple and the cosine of the angle to it."""
        if self._tree.n == 0:
            nothing = np.zeros(len(directions), dtype=bool)
            return nothing, np.empty(0, dtype=np.int64), np.empty(0)
        lifted = np.column_stack([directions, np.zeros(len(directions))])
        nearest = self._tree.query(lifted, k=self._tried)[1].reshape(len(directions), -1)
        dimple = nearest[:, 0]
        cosine = self.perimeters.section_cosine(dimple, directions)
        inside = cosine > self._cos_edge[dimple]
        for other in nearest.T[1:]:
            left = np.flatnonzero(~inside)
            found = self.perimeters.section_cosine(other[left], directions[left])
            hit = found > self._cos_edge[other[left]]
            dimple[left[hit]], cosine[left[hit]], inside[left[hit]] = other[left[hit]], found[hit], True
        return inside, dimple[inside], cosine[inside]

    def _piece(self, dimple: IntArray, cosine: FloatArray) -> IntArray:
        """Index of the piece of section that a ray meets."""
        beyond = (cosine < self._cos_joint[dimple]) & ~self._catenary[dimple]
        return 3 * dimple + np.where(cosine < self._cos_rounding[dimple], 2, beyond)

    def _cavity_radius(self, dimple: IntArray, cosine: FloatArray) -> FloatArray:
        """Radius at the nearer crossing of a ray with its dimple's section.

        At the edge it equals the phantom radius but for rounding, which `minimum` takes away.
        """
        sine = np.sqrt(np.maximum(1 - cosine * cosine, 0.0))
        piece = self._piece(dimple, cosine)
        constant = self._constant[piece]
        half = sine * self._across[piece] + cosine * self._along[piece]
        root = np.sqrt(half * half - self._curvature[piece] * constant)
        radii = constant / (half + root)
        hanging = self._catenary[dimple] & (piece % 3 < 2)
        if hanging.any():
            which = dimple[hanging]
            radii[hanging] = self._hanging(which, radii[hanging], sine[hanging], cosine[hanging])
        return np.minimum(radii, self.ball_diameter_m / 2)

    def _hanging(
        self, dimple: IntArray, start: FloatArray, sine: FloatArray, cosine: FloatArray
    ) -> FloatArray:
        """Radius where a ray meets a catenary, by Newton's method."""
        k, lowest = self._chain[dimple], self.ball_diameter_m / 2 - self.depths_m[dimple]
        t = start
        for _ in range(_NEWTON_STEPS):
            x = t * sine / k
            above = t * cosine - lowest - 2 * k * np.sinh(x / 2) ** 2
            t = t - above / (cosine - sine * np.sinh(x))
        return t
