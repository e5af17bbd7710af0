"""Equiangular cubed sphere: the grid of quadrilaterals under the skin and the shell mesh."""

import numpy as np

from pipeline.arrays import FloatArray, IntArray


def half_cubed_sphere(n: int) -> tuple[FloatArray, IntArray]:
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


def cubed_sphere(n: int) -> tuple[FloatArray, IntArray]:
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


def coarsened(quads: IntArray, n: int) -> tuple[IntArray, IntArray]:
    """Quadrilaterals of half as many along a cube edge, each made of 2 x 2 of a cubed sphere's or half's.

    Parameters
    ----------
    quads : ndarray of int, shape (q, 4)
        Cells in the order of `cubed_sphere` or `half_cubed_sphere`.
    n : int
        Quadrilaterals along an edge of the cube; half a sphere is made of 3 n rows of them.

    Returns
    -------
    coarse : ndarray of int, shape (q / 4, 4)
        Corner indices among the same nodes; same order and orientation.
    middles : ndarray of int, shape (q / 4, 4)
        The node in the middle of each side, from corner k to corner k + 1.

    Raises
    ------
    ValueError
        If rows of quadrilaterals cannot be paired: n is odd, or not a multiple of four on half a sphere.
    """
    half = len(quads) == 3 * n * n
    if n % (4 if half else 2):
        raise ValueError(f"{n} quadrilaterals along a cube edge cannot be halved")
    # A row of n lies on one face of the cube, and so does the next, since every face has an even number.
    child = quads.reshape(-1, 2, n // 2, 2, 4).swapaxes(1, 2).reshape(-1, 2, 2, 4)
    coarse = np.stack([child[:, 0, 0, 0], child[:, 1, 0, 1], child[:, 1, 1, 2], child[:, 0, 1, 3]], axis=-1)
    middles = np.stack([child[:, 0, 0, 1], child[:, 1, 0, 2], child[:, 1, 1, 3], child[:, 0, 1, 0]], axis=-1)
    return coarse, middles


def parents(n: int, quads: int) -> IntArray:
    """Quadrilateral of the grid of half as many along a cube edge that each one lies in.

    Parameters
    ----------
    n : int
        Quadrilaterals along an edge of the cube, as for `coarsened`.
    quads : int
        Their number: 6 n^2, or 3 n^2 on half a sphere.

    Returns
    -------
    ndarray of int, shape (quads,)
        Indices into the coarse quadrilaterals of `coarsened`.
    """
    row, column = np.divmod(np.arange(quads), n)
    return np.asarray((row // 2) * (n // 2) + column // 2)
