"""The mirror plane y = 0 of a layout."""

import numpy as np
from scipy.spatial import cKDTree

from pipeline.geometry.layout.layout import Layout

TURN_MATCH = 1e-6
"""Largest difference of turns [rad], times the number of sides."""

MATCH = 1e-7
"""Largest distance from a dimple's image to the nearest dimple, on the unit sphere; 2 nm on a golf ball."""


def has_mirror_plane(layout: Layout) -> bool:
    """Whether the plane y = 0 mirrors a layout.

    Parameters
    ----------
    layout : Layout
        The layout; y is the axis about which backspin turns in the solver's frame.

    Returns
    -------
    bool
        True too for a ball without dimples.
    """
    if len(layout.directions) == 0:
        return True
    image = layout.directions * np.array([1.0, -1.0, 1.0])
    distance, index = cKDTree(layout.directions).query(image)
    same_width = np.isclose(layout.chord_diameters_m[index], layout.chord_diameters_m, rtol=1e-9, atol=0.0)
    if not ((distance < MATCH).all() and same_width.all()):
        return False
    shapes = layout.perimeters
    if not np.array_equal(shapes.sides[index], shapes.sides):
        return False
    # Azimuths run the other way round in the image; a polygon repeats itself after a side.
    polygon = shapes.sides > 0
    off = np.angle(np.exp(1j * shapes.sides * (shapes.turns_rad[index] + shapes.turns_rad)))
    return bool((np.abs(off[polygon]) < TURN_MATCH).all())
