"""Pairs of a study's patterns whose surfaces differ by less than the solver mesh resolves.

Two patterns are compared at one depth, in the middle of the depths that both have. Their difference is
resolved when it is as large as the depth that two runs of nearly the same ball repeat to
(`REPEATED_DEPTH_M`), and when the mesh's facets show most of it (`MOST_MISSED`).
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from pathlib import Path

from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import variant_spec
from pipeline.flow.solver.fidelity import fidelity
from pipeline.geometry import build
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.shell.surface_difference import (
    FacetGrid,
    SampledBall,
    SurfaceDifference,
    surface_difference,
)
from pipeline.records.decision import Unresolved
from pipeline.study.matrix import Variant, own_variants
from pipeline.study.model import Study
from pipeline.study.trade_units import breakable, millimetres, number

REPEATED_DEPTH_M = 5e-6
"""Change of depth to which runs of one ball repeat [m].

Grids turned by parts of a cell scatter by 0.0007 in Cd and 0.0031 in Cl, and 0.02 mm of depth change them by
0.0064 and 0.014 (332 dimples 0.20 mm deep, Re 1.5e5, S 0.1, coarse; `depthline verify`): 0.002 and 0.0044 mm.
"""

MOST_MISSED = 0.7
"""Largest share of a surface difference that facets may miss: they show half of its mean square then.

The flow follows the facets. Differences of (Cd, Cl) from plain arcs (332 of 3.6 mm, 0.20 mm deep, Re 1.5e5,
S 0.1, from rest), with the share that the facets miss:

============================  =======================  ========================
section                       coarse                   medium
============================  =======================  ========================
two-radius, joint 60 %, 0.5   +0.0026, -0.0071 (0.51)  +0.0038, -0.0063 (0.28)
cone, joint 60 %              -0.0044, +0.0140 (0.51)  -0.0042, +0.0073 (0.28)
arcs of 3.7 mm                -0.0071, +0.0007 (1.05)  +0.0028, +0.0034 (0.74)
hexagons, 3.6 mm across       -0.0027, -0.0110 (0.84)  +0.0065, +0.0017 (0.56)
edge radius 2 mm              -0.0089, +0.0205 (2.6)   -0.0063, +0.0139 (1.9)
edge radius 1 mm              -0.0050, +0.0156 (4.3)
edge radius 0.3 mm            -0.0017, +0.0043 (8.6)
============================  =======================  ========================

An edge radius of 0.3 mm changes the surface as little as 0.0004 mm of depth would. Depths of 0.2005, 0.2025
and 0.2050 mm gave +0.0001, +0.0005 and +0.0011 of Cd, -0.0006, -0.0021 and -0.0040 of Cl.
"""


def unresolved_pair(
    pattern: str,
    other: str,
    depth_m: float,
    level: str,
    cell_m: float,
    of: SurfaceDifference,
    resolved_at: str | None,
) -> Unresolved:
    """Record of a pair, whose sentence says what is not resolved, why, and which level would resolve it."""
    differ = f"at a depth of {millimetres(depth_m, 3)} their surfaces differ by {_depth(of.exact_m)}"
    if of.exact_m < REPEATED_DEPTH_M:
        why = f", less than the {_depth(REPEATED_DEPTH_M)} to which runs repeat"
    else:
        why = (
            f" (root mean square, as a change of depth), which the {level} mesh with its cells of "
            f"{millimetres(cell_m, 2)} misses by {_depth(of.missed_m)}"
        )
    remedy = "no mesh level resolves it: compare them by prototypes"
    if resolved_at is not None:
        remedy = f"level: {resolved_at} resolves it"
    return Unresolved(
        pattern=pattern,
        other=other,
        depth_m=depth_m,
        level=level,
        cell_m=cell_m,
        exact_m=of.exact_m,
        missed_m=of.missed_m,
        resolved_at=resolved_at,
        sentence=breakable(
            f"{pattern} and {other} are not ranked against each other: {differ}{why}; {remedy}."
        ),
    )


def unresolved_patterns(study: Study, layouts: Mapping[str, Layout]) -> list[Unresolved]:
    """Compare every two patterns of a study.

    Parameters
    ----------
    study : Study
        With Reynolds numbers in place of `auto`.
    layouts : mapping
        By pattern; patterns without one are not compared.

    Returns
    -------
    list of Unresolved
        Pairs in the study's order. Patterns that fly in different orientations are never among them.
    """
    model = fidelity(study.flow.fidelity)
    finer = [level for level in model.levels if model.level(level).n > model.level(study.flow.level).n]
    depths = {name: _depths(study, name, layout) for name, layout in layouts.items()}
    orientation = {pattern.name: pattern.layout.orientation for pattern in study.patterns}
    grids: list[FacetGrid] = []
    sampled: dict[tuple[str, float, str], SampledBall | None] = {}

    def ball_on_mesh(name: str, depth_m: float, level: str) -> SampledBall | None:
        key, n = (name, depth_m, level), model.level(level).n
        if key not in sampled:
            ball = _ball(study, name, layouts[name], depth_m)
            grid = next((grid for grid in grids if grid.serves(layouts[name], n)), None)
            if ball is not None and grid is None:
                grid = FacetGrid(layouts[name], study.ball.diameter_m, n)
                grids.append(grid)
            sampled[key] = SampledBall(ball, grid) if ball and grid else None
        return sampled[key]

    def difference(one: str, other: str, depth_m: float, level: str) -> SurfaceDifference | None:
        first, second = (ball_on_mesh(name, depth_m, level) for name in (one, other))
        return surface_difference(first, second) if first and second else None

    found = []
    for one, other in combinations([pattern.name for pattern in study.patterns if pattern.name in depths], 2):
        shallow, deep = (end(depths[one][k], depths[other][k]) for k, end in ((0, max), (-1, min)))
        if orientation[one] != orientation[other] or not shallow <= deep:
            continue
        depth = 0.5 * (shallow + deep)
        of = difference(one, other, depth, study.flow.level)
        if of is None or is_resolved(of):
            continue
        at_finer = ((level, difference(one, other, depth, level)) for level in finer)
        better = (level for level, at in at_finer if at is not None and is_resolved(at))
        cell = model.level(study.flow.level).cell_width(study.ball.diameter_m)
        found.append(unresolved_pair(one, other, depth, study.flow.level, cell, of, next(better, None)))
    return found


def unresolved_results(study: Study, results: Path) -> list[Unresolved]:
    """Compare every two patterns whose layouts are in the study's results folder."""
    layouts = {}
    for pattern in study.patterns:
        try:
            layouts[pattern.name] = build.load_layout(Path(results) / "geometry" / pattern.name)
        except InputError:
            continue  # not there yet, or broken: `depthline run` makes it
    return unresolved_patterns(study, layouts)


def is_resolved(of: SurfaceDifference) -> bool:
    """Whether a mesh resolves the difference of two surfaces."""
    if of.exact_m < REPEATED_DEPTH_M:
        return False
    return of.missed_m <= MOST_MISSED * of.exact_m


def ranked_as(patterns: Sequence[str], pairs: Iterable[Unresolved]) -> dict[str, str]:
    """Pattern that stands for each pattern in a ranking.

    Parameters
    ----------
    patterns : sequence of str
        Names in the study's order, of those that can be ranked.
    pairs : iterable of Unresolved
        From `unresolved_patterns`.

    Returns
    -------
    dict
        By pattern: itself, or the first before it that stands for itself and from which it is not resolved.
    """
    together = {frozenset((pair.pattern, pair.other)) for pair in pairs}
    stands: dict[str, str] = {}
    for name in patterns:
        first = (of for of in stands if stands[of] == of and frozenset((of, name)) in together)
        stands[name] = next(first, name)
    return stands


def _depths(study: Study, pattern: str, layout: Layout) -> list[float]:
    """Mean depths of a pattern's variants, shallow to deep; none of a ball without dimples [m]."""
    own = [variant for variant in own_variants(study) if variant.pattern == pattern]
    if not len(layout.directions):
        return [float("nan")]
    return sorted(
        float(build.make_ball(layout, variant_spec(study, variant)).depths_m.mean())
        if variant.depth_m is None
        else variant.depth_m
        for variant in own
    )


def _ball(study: Study, pattern: str, layout: Layout, depth_m: float) -> DimpledBall | None:
    """Ball of a pattern at a depth; None where no such dimple exists."""
    try:
        return build.make_ball(layout, variant_spec(study, Variant(pattern, "", depth_m, None)))
    except InputError:
        return None


def _depth(value_m: float) -> str:
    return number(1e3 * value_m, 4 if value_m < 1e-6 else 3, "mm")
