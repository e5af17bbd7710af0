"""Layouts: places and chord diameters of a pattern's dimples, spread under a rotation group."""

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import InputError
from pipeline.geometry.dimple.cavity import edge_half_angle
from pipeline.geometry.dimple.perimeter import (
    ROUND,
    Perimeters,
    corner_half_angle,
    facing_turns,
    hull_distance,
)
from pipeline.geometry.dimple.section import Profile
from pipeline.geometry.layout.orbits import check_mirror, mirror_ties, orbit_make_up, starting_points
from pipeline.geometry.layout.rotation_groups import into_fundamental_domain, rotation_group
from pipeline.geometry.layout.seam import Seam
from pipeline.geometry.layout.spacing import largest_spacing, orbit_points, smallest_spacing

STARTS_WITH_SYMMETRY = 24
STARTS_WITHOUT_SYMMETRY = 2
STARTS_WITH_MIRROR = 6
# Rounding in positions read back from a file must not turn touching dimples into overlapping ones.
LAND_ROUNDING_M = 1e-9
MOST_FREE_ORBITS = 1000
"""Orbits that the optimiser moves: the time grows with their square, to some five minutes of a core."""
NEAR_CHORDS = 1.0
"""Gap between circumscribed circles, in half angles of the widest dimple, below which polygons' is exact."""


@dataclass(frozen=True)
class Layout:
    """Positions and chord diameters of a pattern's dimples.

    Attributes
    ----------
    directions : ndarray, shape (n, 3)
        Unit vectors from the ball's centre to the dimples' centres; the pole is +z. n may be 0 (a smooth
        ball).
    chord_diameters_m : ndarray, shape (n,)
        Chord diameters [m].
    symmetry : str
        One of `pipeline.geometry.layout.rotation_groups.SYMMETRIES`; ``none`` for a layout read from a file.
    order : int
        Number of rotations that map the layout onto itself by construction.
    depths_m : ndarray, shape (n,), optional
        Surface depth of each dimple where a file gives it [m].
    edge_angles_rad : ndarray, shape (n,), optional
        Edge angle of each dimple where a file gives it [rad].
    profiles : tuple of Profile, optional
        Section of each dimple where a file gives it.
    sides : ndarray of int, shape (n,), optional
        Number of sides of polygonal perimeters, 0 for round ones; all are round without it.
    turns_rad : ndarray, shape (n,), optional
        How polygons are turned, as of `pipeline.geometry.dimple.perimeter.Perimeters`; sides face neighbours
        without it.
    seam : Seam, optional
        Kept free of dimples; not looked for in a layout read from a file.
    """

    directions: FloatArray
    chord_diameters_m: FloatArray
    symmetry: str
    order: int
    depths_m: FloatArray | None = None
    edge_angles_rad: FloatArray | None = None
    profiles: tuple[Profile, ...] | None = None
    sides: IntArray | None = None
    turns_rad: FloatArray | None = None
    seam: Seam | None = None

    @cached_property
    def perimeters(self) -> Perimeters:
        """Places and perimeters of the dimples."""
        sides = np.zeros(len(self.directions), dtype=np.int64) if self.sides is None else self.sides
        turns = facing_turns(self.directions, sides) if self.turns_rad is None else self.turns_rad
        return Perimeters(self.directions, sides, turns)


def smooth_layout() -> Layout:
    """Layout of the ball without dimples."""
    return Layout(np.empty((0, 3)), np.empty(0), "none", 1)


def spread_layout(
    symmetry: str,
    count: int,
    chord_diameter_m: float,
    narrowest_land_m: float,
    ball_diameter_m: float,
    seed: int,
    progress: Callable[[float], None] | None = None,
    mirror: bool = False,
    sides: int = ROUND,
    seam: Seam | None = None,
    starts: int | None = None,
) -> Layout:
    """Layout of equal dimples, spread as widely as the symmetry allows.

    The positions depend on symmetry, count and seed alone: layouts that differ in chord diameter only are
    the same points.

    Parameters
    ----------
    symmetry : str
        One of `pipeline.geometry.layout.rotation_groups.SYMMETRIES`.
    count : int
        Number of dimples, at least 1.
    chord_diameter_m : float
        Chord diameter of every dimple [m].
    narrowest_land_m : float
        Least land between two dimples' edges, as an arc length on the phantom sphere [m], at least 0.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].
    seed : int
        Seed of the starting positions, at least 0; the same seed gives the same layout.
    progress : callable, optional
        Called with the share of the work that is done, from 0 to 1.
    mirror : bool
        Whether the plane y = 0 must mirror the layout (a rotation group alone gives a handed one). The flow
        around such a ball, spinning about y, is computed on one half.
    sides : int
        Sides of polygonal dimples, 4 to 8, which face their neighbours; 0 for round ones.
    seam : Seam, optional
        Kept free of dimples, half of the narrowest land wide on either side.
    starts : int, optional
        Random starts of the optimiser for each way in which a mirror plane can lie.

    Returns
    -------
    Layout
        Special orbits first, by size, then the general orbits; each orbit starts with its member in the
        group's fundamental domain.

    Raises
    ------
    InputError
        If the count is not a sum of orbits (the message names the nearest counts that are), leaves too many
        of them free, or the dimples do not fit (it says the largest chord diameter found feasible).
    """
    if narrowest_land_m < 0:
        raise InputError(f"layout.narrowest_land: {narrowest_land_m * 1e3:g} mm must be 0 mm or more")
    beta = float(edge_half_angle(chord_diameter_m, ball_diameter_m))
    group = rotation_group(symmetry)
    special, general = orbit_make_up(symmetry, count, seam)
    check_free(general, symmetry)
    fixed = np.concatenate([np.empty((0, 3)), *special])
    if mirror:
        check_mirror(symmetry, seam)
    if general:
        representatives = _spread(group, fixed, general, seed, progress, mirror, seam, starts)
    else:
        representatives = np.empty((0, 3))
    directions = orbit_points(group, fixed, representatives)

    layout = Layout(directions, np.full(count, float(chord_diameter_m)), symmetry, len(group))
    layout = with_sides(layout, sides)
    layout = dataclasses.replace(layout, seam=seam)
    spacing = smallest_spacing(directions)
    if seam is not None:
        spacing = min(spacing, 2 * float(seam.clearance(directions)[0].min()))
    feasible = (spacing - 2 * narrowest_land_m / ball_diameter_m) / 2
    if sides:
        feasible = beta * land_factor(layout, narrowest_land_m, ball_diameter_m, seam)
    if (feasible - beta) * ball_diameter_m < -LAND_ROUNDING_M:
        largest = np.floor(ball_diameter_m * np.sin(max(feasible, 0.0)) * 1e6) / 1e3
        remedy = (
            f"the largest chord diameter found feasible is {largest:.3f} mm" if largest > 0 else "none fits"
        )
        raise InputError(
            f"{count} dimples of chord diameter {chord_diameter_m * 1e3:g} mm with {symmetry} symmetry and "
            f"land of at least {narrowest_land_m * 1e3:g} mm do not fit on a ball of "
            f"{ball_diameter_m * 1e3:g} mm: {remedy}"
        )
    return layout


def check_free(orbits: int, symmetry: str) -> None:
    """Refuse more orbits than the optimiser moves in reasonable time.

    Raises
    ------
    InputError
        Naming what would be right.
    """
    if orbits > MOST_FREE_ORBITS:
        raise InputError(
            f"layout.count: {symmetry} symmetry leaves {orbits} dimples to be moved freely; at most "
            f"{MOST_FREE_ORBITS} can be. Choose a symmetry that repeats them more often, or fewer dimples"
        )


def with_sides(layout: Layout, sides: int) -> Layout:
    """Layout with polygonal dimples whose sides face their neighbours; the layout itself for 0 sides."""
    if not sides:
        return layout
    polygons = np.full(len(layout.directions), sides)
    turns = facing_turns(layout.directions, polygons)
    return dataclasses.replace(layout, sides=polygons, turns_rad=turns)


def land_factor(layout: Layout, narrowest_land_m: float, ball_diameter_m: float, seam: Seam | None) -> float:
    """Factor by which a layout's half angles can change until land, or seam, are the narrowest allowed.

    By halving, from 0 to 2 at most; to a hundred-millionth.
    """
    beta = edge_half_angle(layout.chord_diameters_m, ball_diameter_m)
    clear = np.inf if seam is None else seam.clearance(layout.directions)[0].min(axis=1)
    low, high = 0.0, min(2.0, 1.5 / float(beta.max()))
    while high - low > 1e-8:
        factor = (low + high) / 2
        changed = dataclasses.replace(layout, chord_diameters_m=ball_diameter_m * np.sin(factor * beta))
        land = narrowest_land(changed, ball_diameter_m)
        reach = corner_half_angle(factor * beta, layout.perimeters.sides)
        free = np.all(clear - reach >= narrowest_land_m / ball_diameter_m)
        if free and (land is None or land >= narrowest_land_m):
            low = factor
        else:
            high = factor
    return low


def land_widths(layout: Layout, ball_diameter_m: float) -> Iterator[tuple[int, FloatArray]]:
    """Land between every two dimples, in blocks of rows so that memory stays small.

    Parameters
    ----------
    layout : Layout
        The dimples.
    ball_diameter_m : float
        Diameter of the phantom sphere [m].

    Yields
    ------
    first : int
        Index of the block's first dimple.
    land_m : ndarray, shape (rows, n)
        Arc length on the phantom sphere between the edges of dimple ``first + row`` and of each dimple [m];
        negative where they overlap, infinite for a dimple and itself. Between a polygon and a dimple that is
        farther away than a widest dimple's half chord, between their circumscribed circles.
    """
    if len(layout.directions) == 0:
        return
    beta = edge_half_angle(layout.chord_diameters_m, ball_diameter_m)
    shapes = layout.perimeters
    reach = corner_half_angle(beta, shapes.sides)
    corners = shapes.corners(beta) if shapes.sides.any() else None
    margin = np.where(shapes.sides > 0, 0.0, beta)
    for first in range(0, len(beta), 256):
        rows = slice(first, first + 256)
        cosines = layout.directions[rows] @ layout.directions.T
        angle = np.arccos(np.clip(cosines, -1.0, 1.0))
        land = angle - reach[rows, None] - reach
        land[np.arange(len(land)), first + np.arange(len(land))] = np.inf
        if corners is not None:
            # Farther apart than the circumscribed circles' land; exactly so where that is no clear bound.
            near = np.nonzero(land < NEAR_CHORDS * beta.max())
            one, other = first + near[0], near[1]
            land[near] = hull_distance(corners[one], corners[other]) - margin[one] - margin[other]
        yield first, land * ball_diameter_m / 2


def narrowest_land(layout: Layout, ball_diameter_m: float) -> float | None:
    """Narrowest land of a layout, as an arc length on the phantom sphere [m].

    Returns
    -------
    float or None
        Negative when dimples overlap; None for fewer than two dimples.
    """
    if len(layout.directions) < 2:
        return None
    return min(float(land.min()) for _, land in land_widths(layout, ball_diameter_m))


def _spread(
    group: FloatArray,
    fixed: FloatArray,
    general: int,
    seed: int,
    progress: Callable[[float], None] | None,
    mirror: bool,
    seam: Seam | None,
    given_starts: int | None,
) -> FloatArray:
    """Spread the general orbits; their representatives come in the fundamental domain, from the pole down."""
    starts = STARTS_WITH_SYMMETRY if len(group) > 1 else STARTS_WITHOUT_SYMMETRY
    done = 0
    # Orbits mirror each other in pairs, or each itself with a representative on the plane.
    ties: list[FloatArray | None] = [None]
    if mirror:
        ties = [mirror_ties(general, on_plane) for on_plane in range(general % 2, general + 1, 2)]
        starts = max(STARTS_WITH_MIRROR, starts // len(ties))
    starts = given_starts or starts

    def report(share: float) -> None:
        nonlocal done
        if progress is not None:
            progress((done + share) / (starts * len(ties)))
        done += share == 1.0

    found = [
        largest_spacing(group, fixed, starting_points(group, general, starts, seed), report, tied, seam)
        for tied in ties
    ]

    def spacing(points: FloatArray) -> float:
        least = smallest_spacing(orbit_points(group, fixed, points))
        return least if seam is None else min(least, 2 * float(seam.clearance(points)[0].min()))

    best = max(found, key=spacing)
    best = into_fundamental_domain(group, best)
    return best[np.lexsort((best[:, 0], -best[:, 2]))]
