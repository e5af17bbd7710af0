"""Layouts of several size classes, spread for coverage."""

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError
from pipeline.geometry.dimple.perimeter import ROUND, inscribed_half_angle
from pipeline.geometry.layout.coverage import Packer, Packing
from pipeline.geometry.layout.layout import Layout, check_free, land_factor, with_sides
from pipeline.geometry.layout.orbits import check_mirror, mirror_ties, orbit_make_up, starting_points
from pipeline.geometry.layout.rotation_groups import into_fundamental_domain, rotation_group
from pipeline.geometry.layout.seam import Seam
from pipeline.geometry.layout.spacing import orbit_points

STARTS_WITH_SYMMETRY, STARTS_WITHOUT_SYMMETRY = 8, 1

CHORD_STEP_M = 1e-6
"""Chord diameters are rounded down to micrometres, so that the land only widens."""


def pack_layout(
    symmetry: str,
    count: int,
    classes: int,
    shares: Sequence[float] | None,
    narrowest_land_m: float,
    ball_diameter_m: float,
    seed: int,
    progress: Callable[[float], None] | None = None,
    mirror: bool = False,
    sides: int = ROUND,
    seam: Seam | None = None,
    starts: int | None = None,
) -> Layout:
    """Layout of dimples of several sizes, as much of the sphere covered as found.

    Parameters
    ----------
    symmetry, count, narrowest_land_m, ball_diameter_m, seed, progress, mirror, sides, seam, starts
        As for `pipeline.geometry.layout.layout.spread_layout`.
    classes : int
        Number of chord diameters, at least 1; fewer when there are fewer orbits.
    shares : sequence of float, optional
        Share of the dimples wanted in each class, widest first; met as nearly as whole orbits can. What
        covers most when absent.

    Returns
    -------
    Layout
        Special orbits first, by size, then the general orbits.

    Raises
    ------
    InputError
        If the count is not a sum of orbits or leaves too many of them free, the shares do not suit, or the
        land leaves no room.
    """
    if shares is not None and (len(shares) != classes or abs(sum(shares) - 1) > 1e-3):
        raise InputError(
            f"layout.shares: {len(shares)} shares that add up to {100 * sum(shares):g} % must be {classes}, "
            "one a class, that add up to 100 %"
        )
    group = rotation_group(symmetry)
    special, general = orbit_make_up(symmetry, count, seam)
    check_free(general, symmetry)
    fixed = list(special)
    if mirror:
        check_mirror(symmetry, seam)
    starts = starts or (STARTS_WITH_SYMMETRY if len(group) > 1 else STARTS_WITHOUT_SYMMETRY)
    # Orbits mirror each other in pairs, or each itself with a representative on the plane.
    on_planes: list[int | None] = list(range(general % 2, general + 1, 2)) if mirror else [None]
    each = max(1, starts // len(on_planes))
    done = 0

    def report(share: float) -> None:
        nonlocal done
        if progress is not None:
            progress((done + share) / (each * len(on_planes)))
        done += share == 1.0

    best: Packing | None = None
    for on_plane in on_planes:
        tied = partners = None
        if on_plane is not None:
            tied, partners = mirror_ties(general, on_plane), np.arange(general)
            partners[on_plane + 1 :: 2] = partners[on_plane::2]
        packer = Packer(group, fixed, 2 * narrowest_land_m / ball_diameter_m, tied, partners, seam)
        wanted = None if shares is None else np.array(shares)
        found = packer.pack(starting_points(group, general, each, seed), classes, wanted, report)
        if best is None or found.coverage > best.coverage:
            best = found
    assert best is not None
    directions, radii = _arranged(group, fixed, best)
    # Of polygons the circumscribed circles are packed; all then grow until the land is the narrowest.
    radii = inscribed_half_angle(radii, sides)
    if sides:
        packed = with_sides(Layout(directions, ball_diameter_m * np.sin(radii), symmetry, len(group)), sides)
        radii = radii * land_factor(packed, narrowest_land_m, ball_diameter_m, seam)
    chords = np.floor(ball_diameter_m * np.sin(radii) / CHORD_STEP_M * (1 - 1e-12)) * CHORD_STEP_M
    if (chords <= 0).any():
        raise InputError(
            f"layout.narrowest_land: {narrowest_land_m * 1e3:g} mm leaves no room for {count} dimples on a "
            f"ball of {ball_diameter_m * 1e3:g} mm"
        )
    layout = Layout(directions, chords, symmetry, len(group))
    return dataclasses.replace(with_sides(layout, sides), seam=seam)


def _arranged(group: FloatArray, fixed: list[FloatArray], packing: Packing) -> tuple[FloatArray, FloatArray]:
    """Directions and radii of all dimples; general orbits from the pole down."""
    representatives = into_fundamental_domain(group, packing.representatives)
    order = np.lexsort((representatives[:, 0], -representatives[:, 2]))
    still = np.concatenate([np.empty((0, 3)), *fixed])
    of_fixed, of_general = packing.radii[: len(fixed)], packing.radii[len(fixed) :][order]
    sizes = [len(orbit) for orbit in fixed] + [len(group)] * len(order)
    return (
        orbit_points(group, still, representatives[order]),
        np.repeat(np.concatenate([of_fixed, of_general]), sizes),
    )
