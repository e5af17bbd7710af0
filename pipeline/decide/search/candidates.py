"""Candidates of a family of patterns: drawn by a seed, laid out, and checked for what can be made."""

import dataclasses
import hashlib
import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.decide.search.features import features_of
from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import layout_spec
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.build import seam_of
from pipeline.geometry.dimple.cavity import edge_half_angle, solve_cavities
from pipeline.geometry.dimple.section import Profile, Sections
from pipeline.geometry.layout.layout import LAND_ROUNDING_M, Layout, narrowest_land
from pipeline.geometry.layout.orbits import check_mirror, orbit_make_up
from pipeline.geometry.layout.seam import make_seam
from pipeline.geometry.tooling.cutlist import dimple_measures
from pipeline.records.geometry import LayoutInputs
from pipeline.study.family import Family
from pipeline.study.model import Study
from pipeline.study.patterns import CavitySpec, LayoutSpec, Pattern

T = TypeVar("T")

MOST_TRIED = 20
"""Patterns drawn for each that is wanted; where fewer of them can be made the family is narrow."""

LAND_STEP_M = 5e-5
"""Steps of the land that layouts of several classes are packed with."""

SHARE_STEPS = 20
"""Shares of the dimples in each class are whole multiples of one twentieth."""

CHORD_STEP_M, DEPTH_STEP_M = 1e-6, 1e-6
"""Chord diameters and depths are rounded to micrometres."""

LEAST_WALL_RAD = np.radians(1.0)
"""Least angle between a dimple's wall and the plane of its edge: below it a dimple is flat."""

LEAST_RANGE_M = 2e-5
"""Least range of depths of a pattern: a narrower one leaves nothing to choose."""

OVERLAP, TOO_NARROW, TOO_WIDE = "dimples overlap", "land too narrow", "land too wide"
LITTLE, MUCH = "coverage too low", "coverage too high"
SEAM, ANGLE, CUTTER = "dimples too near the seam", "edge angles", "cutter too large for the hollow"
NO_LAYOUT, TWICE = "no such layout", "drawn before"


@dataclass(frozen=True, eq=False)
class Candidate:
    """A pattern that can be made.

    Parameters
    ----------
    pattern : Pattern
        As a study file would have it; its depths are the ends of its range.
    layout : Layout
        Its dimples.
    features : dict
        Of its ball at the middle of the family's depths (`pipeline.decide.search.features.FEATURES`).
    """

    pattern: Pattern
    layout: Layout
    features: Mapping[str, float]

    @property
    def depth_m(self) -> tuple[float, float]:
        """Shallowest and deepest depth [m]."""
        depths = self.pattern.depths_m or []
        return min(depths), max(depths)


@dataclass(frozen=True, eq=False)
class Candidates:
    """Candidates of a family.

    Parameters
    ----------
    found : list of Candidate
        In the order in which they were drawn: a larger number wanted adds to the end.
    refused : dict
        Patterns that were drawn and cannot be made, by reason.
    """

    found: list[Candidate] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)

    def feature_table(self) -> FloatArray:
        """Features of all candidates, each of mean 0 and standard deviation 1, shape (p, f).

        Features that are the same for all are left out.
        """
        values = np.array([list(one.features.values()) for one in self.found])
        varies = values.std(axis=0) > 1e-9 * np.maximum(np.abs(values).max(axis=0), 1e-12)
        kept = values[:, varies]
        return np.asarray((kept - kept.mean(axis=0)) / kept.std(axis=0))


FindLayout = Callable[[LayoutInputs], Layout]
"""Lays a pattern out, or finds a layout that was kept."""


class _Refused(Exception):
    """A pattern cannot be made; its argument is the reason."""


def make_candidates(
    study: Study, find_layout: FindLayout, progress: Callable[[float], None] = lambda _share: None
) -> Candidates:
    """Draw patterns of a study's family until as many can be made as are wanted.

    Parameters
    ----------
    study : Study
        With a family (`Study.family`).
    find_layout : callable
        As of `FindLayout`. Layouts of dimples of one size are found once for all chord diameters.
    progress : callable
        Is given the share of the candidates that is there.

    Returns
    -------
    Candidates
        Fewer than wanted where `MOST_TRIED` times as many draws have not given enough.

    Raises
    ------
    InputError
        No symmetry has a layout in the range of counts; or nothing that was drawn can be made.
    """
    family = study.family
    if family is None:
        raise ValueError("the study lists its patterns")
    made_up = _made_up(family)
    places: dict[str, Layout] = {}

    def once(spec: LayoutInputs) -> Layout:
        key = json.dumps(spec.content() | {"pattern": ""}, sort_keys=True)
        if key not in places:
            places[key] = find_layout(spec)
        return places[key]

    result, names = Candidates(), set[str]()
    for number in range(MOST_TRIED * family.candidates):
        pattern = _drawn(study, family, made_up, np.random.default_rng([family.seed, number]))
        try:
            if pattern.name in names:
                raise _Refused(TWICE)
            names.add(pattern.name)
            result.found.append(_checked(study, family, pattern, once))
        except _Refused as refused:
            result.refused[str(refused)] += 1
        progress(len(result.found) / family.candidates)
        if len(result.found) == family.candidates:
            break
    if not result.found:
        reasons = ", ".join(f"{reason} {n}" for reason, n in result.refused.most_common())
        raise InputError(
            f"{study.name}: patterns.search: none of {number + 1} patterns that were drawn can be made "
            f"({reasons}); widen its ranges"
        )
    return result


def _made_up(family: Family) -> list[tuple[str, str, list[int]]]:
    """Symmetry, seam and the counts that they allow, of all combinations that have some."""
    layout, why = family.layout, ""
    found: list[tuple[str, str, list[int]]] = []
    for symmetry in layout.symmetry:
        for kind in layout.seam:
            try:
                seam = None
                if kind != "none":
                    # Only whether it is possible: the amplitude in rad is that on a ball of diameter 2.
                    seam = make_seam(kind, symmetry, layout.seam_amplitude_m, layout.seam_waves)
                if layout.mirror:
                    check_mirror(symmetry, seam)
            except InputError as error:
                why = f"; {error}"
                continue
            counts = []
            for count in range(layout.count.lowest, layout.count.highest + 1):
                try:
                    orbit_make_up(symmetry, count, seam)
                    counts.append(count)
                except InputError:
                    continue
            if counts:
                found.append((symmetry, kind, counts))
    if not found:
        raise InputError(
            f"patterns.search.layout: no symmetry has a layout of {layout.count.lowest} to "
            f"{layout.count.highest} dimples with such seams{why}; widen the range, or add symmetries"
        )
    return found


def _drawn(
    study: Study, family: Family, made_up: list[tuple[str, str, list[int]]], rng: np.random.Generator
) -> Pattern:
    """Draw a pattern; its depths are those of the family. Every draw takes the same numbers from `rng`."""
    u = rng.random(8)

    def among(options: Sequence[T], share: float) -> T:
        return options[int(share * len(options))]

    def between(low: float, high: float, share: float, step: float) -> float:
        return round(round((low + share * (high - low)) / step) * step, 9)

    layout = family.layout
    symmetry, seam, counts = among(made_up, u[0])
    count, classes = among(counts, u[1]), among(layout.classes, u[2])
    kind = among(family.cavity, u[3])
    keys: dict[str, object] = {
        "symmetry": symmetry,
        "count": count,
        "seed": family.seed,
        "starts": layout.starts,
    }
    keys["mirror"], keys["narrowest_land_m"] = layout.mirror, layout.narrowest_land.lowest_m
    if seam != "none":
        keys["seam"] = seam
    if seam == "undulating":
        keys |= {"seam_amplitude_m": layout.seam_amplitude_m, "seam_waves": layout.seam_waves}
    chord = None
    if classes > 1:
        land = layout.narrowest_land
        steps = int((land.highest_m - land.lowest_m) / LAND_STEP_M + 1e-9)
        # Shares are drawn: patterns differ in them, and a layout is found in a tenth of the time.
        cuts = np.sort(rng.choice(SHARE_STEPS - 1, classes - 1, replace=False)) + 1
        keys["classes"] = classes
        keys["shares"] = [
            round(n / SHARE_STEPS, 4) for n in np.diff([0, *cuts.tolist(), SHARE_STEPS]).tolist()
        ]
        keys["narrowest_land_m"] = round(land.lowest_m + int(u[4] * (steps + 1)) * LAND_STEP_M, 9)
    else:
        share = between(family.coverage.lowest, family.coverage.highest, u[4], 1e-4)
        # count caps of half angle beta cover the share count (1 - cos beta) / 2 of the sphere.
        beta = 2.0 * np.arcsin(np.sqrt(share / count))
        chord = between(0.0, study.ball.diameter_m * float(np.sin(beta)), 1.0, CHORD_STEP_M)
    cavity: dict[str, object] = {"profile": kind.profile, "edge_radius_m": kind.edge_radius_m}
    if kind.joint is not None:
        cavity["joint"] = between(kind.joint.lowest, kind.joint.highest, u[5], 0.01)
    if kind.radius_ratio is not None:
        cavity["radius_ratio"] = between(kind.radius_ratio.lowest, kind.radius_ratio.highest, u[6], 0.01)
    if chord is not None:
        cavity["chord_diameter_m"] = chord
    depths = sorted({family.depths.shallowest_m, family.depths.deepest_m})
    content = {
        "layout": LayoutSpec.model_validate(keys),
        "cavity": CavitySpec.model_validate(cavity),
        "depths_m": depths,
    }
    text = json.dumps({"layout": keys, "cavity": cavity}, sort_keys=True)
    letters = "".join(part[:3] for part in symmetry.replace("dihedral-", "d").split("-"))
    name = f"{letters}{count}-{hashlib.blake2b(text.encode(), digest_size=3).hexdigest()}"
    return Pattern.model_validate({"name": name, **content})


def _checked(study: Study, family: Family, pattern: Pattern, find_layout: FindLayout) -> Candidate:
    """Lay a pattern out and check what can be made of it.

    Raises
    ------
    _Refused
        It cannot be made.
    """
    diameter, land_range = study.ball.diameter_m, family.layout.narrowest_land
    spec = layout_spec(study, pattern)
    chord = pattern.cavity.chord_diameter_m
    try:
        if chord is None:
            layout = find_layout(spec)
        else:
            # Places of dimples of one size depend on neither chord diameter nor land.
            points = find_layout(spec.changed(chord_diameter_m=2e-4, narrowest_land_m=0.0))
            layout = dataclasses.replace(points, chord_diameters_m=np.full(len(points.directions), chord))
    except InputError:
        raise _Refused(NO_LAYOUT) from None
    beta = edge_half_angle(layout.chord_diameters_m, diameter)
    coverage = float((np.sin(beta / 2.0) ** 2).sum())
    land = narrowest_land(layout, diameter)
    if land is not None:
        if land < -LAND_ROUNDING_M:
            raise _Refused(OVERLAP)
        if land < land_range.lowest_m - LAND_ROUNDING_M:
            raise _Refused(TOO_NARROW)
        if land > land_range.highest_m + LAND_ROUNDING_M:
            raise _Refused(TOO_WIDE)
    if coverage < family.coverage.lowest - 1e-4:
        raise _Refused(LITTLE)
    if coverage > family.coverage.highest + 1e-4:
        raise _Refused(MUCH)
    seam = seam_of(spec)
    if seam is not None:
        free = float((seam.clearance(layout.directions)[0].min(axis=1) - beta).min()) * diameter / 2.0
        if free < pattern.layout.narrowest_land_m / 2.0 - LAND_ROUNDING_M:
            raise _Refused(SEAM)
    cavity = pattern.cavity
    sections = Sections.of(Profile(cavity.profile, cavity.joint, cavity.radius_ratio, cavity.edge_radius_m))
    ends = _depths(family, layout, sections, diameter)
    balls = []
    for depth in (ends[1], float(np.clip(_middle(family), *ends))):
        try:
            balls.append(DimpledBall(layout, depth, diameter, sections))
        except InputError:
            raise _Refused(ANGLE) from None
    if family.smallest_cutter_m is not None:
        measures = dimple_measures(balls[0].cavities)
        radii = 1e-3 * np.concatenate([measures["bottom_radius_mm"], measures["wall_radius_mm"]])
        hollow = radii[np.isfinite(radii) & (radii > 0.0)]
        if hollow.size and hollow.min() < family.smallest_cutter_m:
            raise _Refused(CUTTER)
    kept = pattern.model_copy(update={"depths_m": list(ends)})
    return Candidate(kept, layout, features_of(balls[1]))


def _middle(family: Family) -> float:
    return 0.5 * (family.depths.shallowest_m + family.depths.deepest_m)


def _depths(family: Family, layout: Layout, sections: Sections, diameter_m: float) -> tuple[float, float]:
    """Ends of the depths at which all edge angles are in the family's range, rounded inwards [m]."""
    angles = family.edge_angles
    beta = edge_half_angle(layout.chord_diameters_m, diameter_m)
    lowest = np.maximum(0.0 if angles is None else angles.lowest_rad, beta + LEAST_WALL_RAD)

    def depth_at(angle: FloatArray) -> FloatArray:
        try:
            return solve_cavities(
                sections, diameter_m, layout.chord_diameters_m, edge_angle_rad=angle
            ).depth_m
        except InputError:
            raise _Refused(ANGLE) from None

    shallow = max(family.depths.shallowest_m, float(depth_at(lowest).max()))
    deep = family.depths.deepest_m
    if angles is not None:
        if (angles.highest_rad <= lowest).any():
            raise _Refused(ANGLE)
        deep = min(deep, float(depth_at(np.full(beta.shape, angles.highest_rad)).min()))
    shallow = round(float(np.ceil(shallow / DEPTH_STEP_M - 1e-6)) * DEPTH_STEP_M, 9)
    deep = round(float(np.floor(deep / DEPTH_STEP_M + 1e-6)) * DEPTH_STEP_M, 9)
    if deep - shallow < LEAST_RANGE_M - 1e-9:
        raise _Refused(ANGLE)
    return shallow, deep
