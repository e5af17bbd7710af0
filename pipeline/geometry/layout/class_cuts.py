"""Cuts a row of orbits, widest first, into size classes: by place, or nearest to wanted shares."""

import math

import numpy as np

from pipeline.arrays import FloatArray


def nth_cuts(orbits: int, cuts: int, place: int) -> tuple[int, ...]:
    """Cuts of a row of orbits at a place in the lexicographic order of all ways to cut it.

    Parameters
    ----------
    orbits : int
        Length of the row; a cut c lies before its orbit c, 1 to `orbits` - 1.
    cuts : int
        Number of cuts, 0 or more.
    place : int
        From 0 to the number of ways, C(orbits - 1, cuts), less 1.
    """
    found: list[int] = []
    candidate = 1
    while len(found) < cuts:
        with_it = math.comb(orbits - 1 - candidate, cuts - len(found) - 1)
        if place < with_it:
            found.append(candidate)
        else:
            place -= with_it
        candidate += 1
    return tuple(found)


def nearest_cuts(reached: FloatArray, wanted: FloatArray) -> tuple[int, ...]:
    """Cuts of a row of orbits, in ascending order, whose cumulative shares come nearest to those wanted.

    Parameters
    ----------
    reached : ndarray, shape (n,)
        Cumulative share of the dimples up to and with each orbit.
    wanted : ndarray, shape (c,)
        Cumulative shares wanted before each cut, c < n.

    Returns
    -------
    tuple of int, length c
        The sum of squared differences is the least; of equal ones the first in lexicographic order. By
        dynamic programming, in c n steps.
    """
    n, c = len(reached), len(wanted)
    before = np.concatenate([[0.0], reached[:-1]])
    # rest[j, i]: least sum of the cuts j, j + 1, ... when cut j lies at i or later.
    rest = np.full((c + 1, n + 1), np.inf)
    rest[c] = 0.0
    for j in range(c - 1, -1, -1):
        for i in range(n - 1, j, -1):
            rest[j, i] = min(rest[j, i + 1], (before[i] - wanted[j]) ** 2 + rest[j + 1, i + 1])
    found, i = [], 1
    for j in range(c):
        while rest[j, i] < (before[i] - wanted[j]) ** 2 + rest[j + 1, i + 1]:
            i += 1
        found.append(i)
        i += 1
    return tuple(found)
