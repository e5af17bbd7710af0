"""Equiangular cubed sphere: the grid of quadrilaterals under the skin and the shell mesh."""

import numpy as np
from numpy.typing import NDArray


def half_cubed_sphere(n: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the half of an equiangular cubed sphere with y >= 0.

    Parameters
    ----------
    n : int
        Quadrilaterals along an edge of the cube; even, so that the plane y = 0 is a line of the grid.

    Returns
    -------
    directions : ndarray, shape (p, 3)
        Unit vectors of the nodes; those on the plane have y = 0 exactly.
    quads : ndarray of int, shape (3 n^2, 4)
        Corner indices as of `cubed_sphere`.

    Raises
    ------
    ValueError
        If n is odd or less than 2.
    """
    if n < 2 or n % 2:
        raise ValueError(f"half a cubed sphere needs an even n >= 2, not {n}")
    directions, quads = cubed_sphere(n)
    directions[np.abs(directions[:, 1]) < 1e-12, 1] = 0.0
    kept = (directions[quads, 1] >= 0.0).all(axis=1)
    used, inverse = np.unique(quads[kept], return_inverse=True)
    return directions[used], inverse.reshape(-1, 4)


def cubed_sphere(n: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Directions and quadrilaterals of an equiangular cubed sphere.

    Each of the six faces of a cube carries n x n quadrilaterals whose corners lie at equal angles
    (gnomonic equiangular projection, Ronchi, Iacono & Paolucci 1996, J. Comput. Phys. 124:93-114).

    Parameters
    ----------
    n : int
        Quadrilaterals along an edge of the cube, at least 1.

    Returns
    -------
    directions : ndarray, shape (6 n^2 + 2, 3)
        Unit vectors of the nodes; nodes shared by faces occur once.
    quads : ndarray of int, shape (6 n^2, 4)
        Corner indices, counter-clockwise seen from outside; face by face, the second index running
        fastest.

    Raises
    ------
    ValueError
        If n is less than 1.
    """
    if n < 1:
        raise ValueError(f"a cubed sphere needs n >= 1, not {n}")
    # Integer lattice coordinates identify shared nodes without comparing floats.
    i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
    a, b, low, high = i, j, np.zeros_like(i), np.full_like(i, n)
    lattice = np.stack(
        [
            np.stack(face, axis=-1)
            for face in (
                (high, a, b),
                (low, n - a, b),
                (n - a, high, b),
                (a, low, b),
                (n - b, a, high),
                (b, a, low),
            )
        ]
    )
    base = np.array([(n + 1) ** 2, n + 1, 1], dtype=np.int64)  # one number a node sorts fast
    unique, inverse = np.unique(lattice.reshape(-1, 3) @ base, return_inverse=True)
    node = inverse.reshape(6, n + 1, n + 1)
    cube = np.tan((2.0 * (unique[:, None] // base % (n + 1)) / n - 1.0) * (np.pi / 4))
    directions = cube / np.linalg.norm(cube, axis=1, keepdims=True)
    quads = np.stack([node[:, :-1, :-1], node[:, 1:, :-1], node[:, 1:, 1:], node[:, :-1, 1:]], axis=-1)
    return directions, quads.reshape(-1, 4)
