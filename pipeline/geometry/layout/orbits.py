"""Orbits of dimples under a rotation group: how a count is made up of them, and where they may begin."""

import itertools
from collections.abc import Iterator

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.geometry.layout.rotation_groups import into_fundamental_domain, rotation_group, special_orbits
from pipeline.geometry.layout.seam import Seam, off_seam


def orbit_make_up(symmetry: str, count: int, seam: Seam | None = None) -> tuple[tuple[FloatArray, ...], int]:
    """How a count is made up of orbits.

    Parameters
    ----------
    symmetry : str
        One of `pipeline.geometry.layout.rotation_groups.SYMMETRIES`.
    count : int
        Number of dimples, at least 1.
    seam : Seam, optional
        Kept free: special orbits on it are not used.

    Returns
    -------
    special : tuple of ndarray, shape (size, 3)
        Special orbits that are used, each at most once, as few as will do.
    general : int
        Number of general orbits, each of the group's order.

    Raises
    ------
    InputError
        If the count is not such a sum; the message names the nearest counts that are.
    """
    if count < 1:
        raise InputError(f"layout.count: {count} must be at least 1")
    order = len(rotation_group(symmetry))
    orbits_off = tuple(orbit for orbit in special_orbits(symmetry) if off_seam(seam, orbit))
    found = _decompose(orbits_off, order, count)
    if found is None:
        below = next((c for c in range(count - 1, 0, -1) if _decompose(orbits_off, order, c)), None)
        above = next(c for c in range(count + 1, count + order + 1) if _decompose(orbits_off, order, c))
        nearest = f"{below} and {above}" if below else f"{above}"
        orbits = ", ".join(str(len(orbit)) for orbit in orbits_off) or "none"
        raise InputError(
            f"layout.count: {count} is not a sum of {symmetry} orbits (any number of {order}, at most one "
            f"each of {orbits}); the nearest that are: {nearest}"
        )
    special, general = found
    return tuple(orbits_off[place] for place in special), general


def check_mirror(symmetry: str, seam: Seam | None) -> None:
    """Refuse a mirror plane y = 0 for groups that it does not map onto themselves, orbit by orbit.

    Raises
    ------
    InputError
        If there can be none.
    """
    if symmetry in ("none", "tetrahedral"):
        raise InputError(
            f"layout.mirror: true goes with icosahedral, octahedral or dihedral symmetry, not with {symmetry}"
        )
    if seam is not None and seam.waves:
        raise InputError(
            "layout.mirror: true does not go with an undulating seam, which is not its own image"
        )


def starting_points(group: FloatArray, general: int, starts: int, seed: int) -> Iterator[FloatArray]:
    """Random first positions of general orbits, shape (general, 3) each, in the fundamental domain."""
    rng = np.random.default_rng(seed)
    for _ in range(starts):
        if len(group) > 1:
            points = rng.normal(size=(general, 3))
        else:
            # The spiral is even already; the jitter, a tenth of the mean spacing, breaks its order.
            points = _fibonacci(general) + 0.1 * np.sqrt(4 * np.pi / general) * rng.normal(size=(general, 3))
        yield into_fundamental_domain(group, points / np.linalg.norm(points, axis=1, keepdims=True))


def mirror_ties(general: int, on_plane: int) -> FloatArray:
    """Projection, shape (3 k, 3 k) for k points, onto `on_plane` points with y = 0 and mirrored pairs."""
    tied = np.zeros((3 * general, 3 * general))
    reflection = np.diag([1.0, -1.0, 1.0])
    for point in range(on_plane):
        tied[3 * point : 3 * point + 3, 3 * point : 3 * point + 3] = np.diag([1.0, 0.0, 1.0])
    for first in range(on_plane, general, 2):
        a, b = slice(3 * first, 3 * first + 3), slice(3 * first + 3, 3 * first + 6)
        tied[a, a] = tied[b, b] = 0.5 * np.eye(3)
        tied[a, b] = tied[b, a] = 0.5 * reflection
    return tied


def _decompose(
    special_orbits: tuple[FloatArray, ...], order: int, count: int
) -> tuple[tuple[int, ...], int] | None:
    """Places of the special orbits that make a count up, and the number of general ones; None for no way."""
    sizes = [len(orbit) for orbit in special_orbits]
    choices = [
        choice for used in range(len(sizes) + 1) for choice in itertools.combinations(range(len(sizes)), used)
    ]
    for special in choices:
        rest = count - sum(sizes[place] for place in special)
        if rest >= 0 and rest % order == 0:
            return special, rest // order
    return None


def _fibonacci(count: int) -> FloatArray:
    """Fibonacci spiral on the unit sphere, shape (count, 3) (Gonzalez 2010, Math. Geosci. 42:49-64)."""
    i = np.arange(count) + 0.5
    z = 1 - 2 * i / count
    azimuth = np.pi * (1 + np.sqrt(5)) * i
    return np.stack([np.sqrt(1 - z * z) * np.cos(azimuth), np.sqrt(1 - z * z) * np.sin(azimuth), z], axis=1)
