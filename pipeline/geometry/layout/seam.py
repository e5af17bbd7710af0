"""Seams: the great circle z = 0, or a curve that undulates about it, kept free of dimples.

Dimples keep half of the narrowest land from a seam, as if their images beyond it were dimples too. Under a
rotation group whose images of the plane z = 0 are several planes, all of them are kept free.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from pipeline.arrays import BoolArray, FloatArray
from pipeline.errors import InputError
from pipeline.geometry.layout.rotation_groups import rotation_group

_SAMPLES = 7200
"""Points along an undulating seam: at a dimple's distance the nearest is 0.02 um farther than the curve."""

_ON_SEAM = 1e-6


@dataclass(frozen=True)
class Seam:
    """A seam.

    Attributes
    ----------
    normals : ndarray, shape (p, 3)
        Unit normals of the great circles kept free; the first is +z, the mould's. Of an undulating seam +z
        alone.
    amplitude_rad : float
        Greatest latitude of an undulating seam, which is amplitude sin(waves azimuth) [rad]; 0 for a straight
        one.
    waves : int
        Waves around the ball; 0 for a straight seam.
    """

    normals: FloatArray
    amplitude_rad: float = 0.0
    waves: int = 0

    def latitude(self, azimuth_rad: FloatArray) -> FloatArray:
        """Latitude of the mould's seam at an azimuth [rad]."""
        return self.amplitude_rad * np.sin(self.waves * azimuth_rad)

    def above(self, directions: FloatArray) -> BoolArray:
        """Whether directions, shape (m, 3), lie on the side of the pole +z."""
        x, y, z = directions.T
        return np.asarray(np.arcsin(np.clip(z, -1.0, 1.0)) > self.latitude(np.arctan2(y, x)))

    def clearance(self, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Angles from points to the seams, and the ways that lead away from them.

        Parameters
        ----------
        directions : ndarray, shape (m, 3)
            Unit vectors.

        Returns
        -------
        angle : ndarray, shape (m, p)
            Angle to the nearest point of each seam [rad].
        away : ndarray, shape (m, p, 3)
            Unit tangent vectors along which the angle grows fastest.
        """
        if self.waves:
            angle, place = self._tree.query(directions)
            angle = 2 * np.arcsin(np.minimum(angle / 2, 1.0))
            nearest = self._points[place]
            away = directions * np.cos(angle)[:, None] - nearest
            return angle[:, None], _unit(away)[:, None]
        height = directions @ self.normals.T
        sign = np.where(height < 0, -1.0, 1.0)
        away = sign[..., None] * (self.normals - height[..., None] * directions[:, None])
        return np.arcsin(np.minimum(np.abs(height), 1.0)), _unit(away)

    @cached_property
    def _points(self) -> FloatArray:
        azimuth = 2 * np.pi * np.arange(_SAMPLES) / _SAMPLES
        latitude = self.latitude(azimuth)
        level = np.cos(latitude)
        return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(latitude)], axis=1)

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self._points)


MOULD_PLANE = Seam(np.array([[0.0, 0.0, 1.0]]))
"""Where halves are split when no seam is kept free."""


def make_seam(kind: str, symmetry: str, amplitude_rad: float | None = None, waves: int | None = None) -> Seam:
    """Seam of a layout with a symmetry.

    Parameters
    ----------
    kind : str
        ``straight`` or ``undulating``.
    symmetry : str
        Of the layout, as of `rotation_group`.
    amplitude_rad, waves : optional
        Of an undulating seam: greatest latitude, above 0 [rad], and waves around the ball, at least 1.

    Returns
    -------
    Seam
        The seam, all its images under the group.

    Raises
    ------
    InputError
        If the symmetry does not map such a seam onto itself.
    """
    group = rotation_group(symmetry)
    if kind == "straight":
        images = group[:, :, 2]
        same = np.abs(images @ images.T) > 1 - _ON_SEAM
        return Seam(images[~np.tril(same, -1).any(axis=1)])
    if amplitude_rad is None or waves is None:
        raise InputError("layout.seam: an undulating one needs seam_amplitude and seam_waves")
    if symmetry != "none" and not symmetry.startswith("dihedral-"):
        raise InputError(
            f"layout.seam: undulating goes with dihedral symmetry or none, not with {symmetry}, whose axes "
            "would turn it into others"
        )
    fold = int(symmetry.removeprefix("dihedral-")) if symmetry != "none" else 1
    if waves % fold:
        raise InputError(
            f"layout.seam_waves: {waves} must be a multiple of {fold}, since {symmetry} symmetry repeats the "
            f"seam {fold} times; for instance {max(1, round(waves / fold)) * fold}"
        )
    return Seam(np.array([[0.0, 0.0, 1.0]]), amplitude_rad, waves)


def off_seam(seam: Seam | None, orbit: FloatArray) -> bool:
    """Whether no point of an orbit, shape (n, 3), lies on the seam."""
    return seam is None or bool((seam.clearance(orbit)[0] > _ON_SEAM).all())


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0))
