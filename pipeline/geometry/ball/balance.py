"""Balance of a ball's dimples, and the great circles that they leave free."""

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.geometry.ball.classes import size_classes
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.rotation_groups import special_orbits
from pipeline.records.geometry import ClassTotals

SAME_PLANE = 1e-6


def balance(ball: DimpledBall) -> dict[str, float | None]:
    """First and second moment of the dimple volume's distribution over the sphere.

    Parameters
    ----------
    ball : DimpledBall
        The ball.

    Returns
    -------
    dict
        ``first_moment``, length of the mean of the dimples' unit vectors weighted by their volumes [-], 0 for
        a ball whose centre of mass is its centre; ``second_moment``, largest difference of an eigenvalue of
        the mean of their dyads from 1/3 [-], 0 for a ball without a preferred axis. None for a smooth ball.
    """
    volumes, directions = ball.cavities.volume_m3, ball.layout.directions
    if len(volumes) == 0:
        return {"first_moment": None, "second_moment": None}
    weights = volumes / volumes.sum()
    dyads = np.einsum("n,na,nb->ab", weights, directions, directions)
    return {
        "first_moment": float(np.linalg.norm(weights @ directions)),
        "second_moment": float(np.abs(np.linalg.eigvalsh(dyads) - 1 / 3).max()),
    }


def free_great_circles(ball: DimpledBall) -> int:
    """Number of great circles at right angles to an axis of symmetry, or to the pole, that cross no dimple.

    Parameters
    ----------
    ball : DimpledBall
        The ball.

    Returns
    -------
    int
        Zero means that a mould's seam must undulate, or cut through dimples.
    """
    normals = np.vstack([np.array([[0.0, 0.0, 1.0]]), *special_orbits(ball.layout.symmetry)])
    height = np.abs(normals @ ball.layout.directions.T)
    free = normals[(height >= np.sin(ball.reach_rad)).all(axis=1)]
    return _planes(free)


def _planes(normals: FloatArray) -> int:
    """Number of different planes through the origin with these normals."""
    same = np.abs(normals @ normals.T) > 1 - SAME_PLANE
    return int(np.sum(~np.tril(same, -1).any(axis=1)))


def class_totals(ball: DimpledBall) -> list[ClassTotals]:
    """Count, chord diameter, depth and share of the dimples' area of each size class, the widest first.

    Parameters
    ----------
    ball : DimpledBall
        The ball.

    Returns
    -------
    list of ClassTotals
        Means over each class.
    """
    area = ball.solid_angles
    return [
        ClassTotals(
            name=size_class.name,
            count=len(size_class.members),
            chord_diameter_m=float(ball.layout.chord_diameters_m[size_class.members].mean()),
            depth_m=float(ball.depths_m[size_class.members].mean()),
            area_share=float(area[size_class.members].sum() / area.sum()),
        )
        for size_class in size_classes(ball)
    ]
