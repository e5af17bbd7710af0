"""Size classes: the dimples of a ball that are cut alike."""

from dataclasses import dataclass

import numpy as np

from pipeline.arrays import IntArray
from pipeline.geometry.ball.height_field import DimpledBall

ALIKE_M = 1e-6
"""Dimples whose measures round to the same micrometre are cut alike."""

MOST_CLASSES = 12
"""With more kinds of dimples than these (a measured ball has one a dimple) classes are ranges of diameter."""

RANGE_M = 1e-4
"""Width of such a range of chord diameters [m]."""


@dataclass(frozen=True)
class SizeClass:
    """Dimples that are cut alike.

    Attributes
    ----------
    name : str
        A, B, C, ..., the widest first.
    members : ndarray of int, shape (k,)
        Indices of its dimples; the first is the one nearest to the class's mean chord diameter.
    """

    name: str
    members: IntArray


def size_classes(ball: DimpledBall) -> list[SizeClass]:
    """Group the dimples of a ball by chord diameter, depth, section and perimeter.

    Parameters
    ----------
    ball : DimpledBall
        The ball.

    Returns
    -------
    list of SizeClass
        The widest first, deeper before shallower; ranges of chord diameter when there are more than
        `MOST_CLASSES` kinds of dimples. Empty for a smooth ball.
    """
    chords, sections = ball.layout.chord_diameters_m, ball.cavities.sections
    kinds = np.column_stack(
        [
            np.round(chords / ALIKE_M),
            np.round(ball.depths_m / ALIKE_M),
            sections.joint,
            sections.curvature_ratio,
            sections.catenary,
            np.round(sections.edge_radius_m / ALIKE_M),
            ball.perimeters.sides,
        ]
    )
    if len(np.unique(kinds, axis=0)) > MOST_CLASSES:
        kinds = np.floor(chords / RANGE_M + 1e-6)[:, None]
    _, kind = np.unique(-kinds, axis=0, return_inverse=True)
    classes = []
    for place in range(int(kind.max(initial=-1)) + 1):
        members = np.flatnonzero(kind.ravel() == place)
        off = np.abs(chords[members] - chords[members].mean())
        first = int(np.argmin(np.round(off / ALIKE_M)))
        members = np.concatenate([members[first : first + 1], np.delete(members, first)])
        classes.append(SizeClass(_letters(place), members))
    return classes


def class_of_dimple(classes: list[SizeClass], count: int) -> IntArray:
    """Index of each dimple's class, shape (count,)."""
    found = np.zeros(count, dtype=np.int64)
    for place, size_class in enumerate(classes):
        found[size_class.members] = place
    return found


def _letters(place: int) -> str:
    """A to Z, then AA, AB, ..., as columns of a table are named."""
    name = ""
    place += 1
    while place:
        place, letter = divmod(place - 1, 26)
        name = chr(ord("A") + letter) + name
    return name
