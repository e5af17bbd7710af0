"""Candidates ranked by runs of some of them, with a planted best pattern and depth."""

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.published import smits_smith_1994
from pipeline.decide.search.candidates import make_candidates
from pipeline.decide.search.ranking import Rank, front, rank_candidates
from pipeline.errors import InputError
from pipeline.geometry.build import make_layout
from pipeline.study.file import study_of

TEXT = """\
name: family
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  search:
    candidates: 14
    layout:
      symmetry: [icosahedral]
      count: {lowest: 300, highest: 340}
      narrowest_land: {lowest: 0.05 mm, highest: 0.90 mm}
    coverage: {lowest: 60 %, highest: 75 %}
    depths: {shallowest: 0.14 mm, deepest: 0.30 mm}
flow: {fidelity: steady-rans, level: coarse, boundary_layer: turbulent,
       reynolds: [7e4, 2e5], spin_ratios: [0.08, 0.3]}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""


@pytest.fixture(scope="module")
def family(tmp_path_factory):
    study = study_of(tmp_path_factory.mktemp("family") / "study.yaml", TEXT, searched=True)
    return study, make_candidates(study, make_layout)


def invented(candidates, known, best_m=0.22e-3):
    """Runs of some candidates: drag falls with the coverage and is least at a depth."""
    rows = []
    for one in candidates.found[:known]:
        for depth in np.linspace(*one.depth_m, 3).round(6):
            for re in (8e4, 1.2e5, 1.9e5):
                for s in (0.1, 0.2):
                    of = smits_smith_1994(re, s)  # [memory]
                    cd = float(of.cd) + 0.1 * (0.7 - one.features["coverage"]) + 8e5 * (depth - best_m) ** 2
                    at = {"pattern": one.pattern.name, "depth_m": depth, "reynolds": re, "spin_ratio": s}
                    numbers = {"cd": cd, "cd_se": 0.001, "cl": float(of.cl), "cl_se": 0.002}
                    run = f"runs/{one.pattern.name}/d{1e3 * depth:.3f}mm/re{re:.0f}/s{s:.3f}"
                    rows.append(at | numbers | {"verdict": "settled", "run": run})
    return pd.DataFrame(rows)


def test_runs_on_a_finer_mesh_are_not_counted(family):
    study, candidates = family
    own = invented(candidates, 3)
    finer = own[::2].assign(run=own["run"].str.replace("mm/", "mm-graded/"), cd=own["cd"] - 0.02)
    both = rank_candidates(study, candidates, pd.concat([own, finer], ignore_index=True))
    assert both == rank_candidates(study, candidates, own)


def test_the_planted_pattern_and_depth_are_named_also_without_runs_of_its_own(family):
    study, candidates = family
    coverage = {one.pattern.name: one.features["coverage"] for one in candidates.found}
    ranked, following = rank_candidates(study, candidates, invented(candidates, 11))
    assert [one.carry_m for one in ranked] == sorted((one.carry_m for one in ranked), reverse=True)
    assert sum(one.p_best for one in ranked) == pytest.approx(1.0)
    assert sum(one.next_runs for one in ranked) == len(following) == 8
    names = {one.pattern for one in ranked if one.next_runs}
    assert {point.pattern for point in following} == names
    known = [one for one in ranked if one.runs]
    assert len(known) == 11 and known[0].pattern == max(
        (one.pattern for one in known), key=lambda name: coverage[name]
    )
    assert known[0].best_depth_m == pytest.approx(0.22e-3, abs=0.021e-3)  # a step of the depths compared
    ends = {one.pattern.name: one.depth_m for one in candidates.found}
    for name, depth in [(of.pattern, of.best_depth_m) for of in ranked] + [
        (of.pattern, of.depth_m) for of in following
    ]:
        assert ends[name][0] - 1e-9 <= depth <= ends[name][1] + 1e-9
    # Those without runs are ordered by coverage too, and are less sure.
    order = np.argsort([-coverage[one.pattern] for one in ranked])
    assert np.corrcoef(order, np.arange(len(ranked)))[0, 1] > 0.8
    assert min(one.carry_se_m for one in ranked if not one.runs) > max(one.carry_se_m for one in known)


def test_too_few_runs_are_refused(family):
    study, candidates = family
    frame = invented(candidates, 1)
    with pytest.raises(InputError, match="0 usable runs are of candidates of its family; at least 6"):
        rank_candidates(study, candidates, frame.assign(pattern="another"))
    with pytest.raises(InputError, match="5 usable runs"):
        rank_candidates(study, candidates, frame.head(5))


def test_the_front_falls_to_both_sides_of_the_best():
    def at(name, carry, peak):
        return Rank(name, 0, 2e-4, carry, 1.0, peak, 0.0, 0)

    given = [at("a", 250, 30), at("b", 248, 27), at("c", 247, 28), at("d", 240, 35), at("e", 245, 25)]
    assert [one.pattern for one in front(given)] == ["e", "b", "a", "d"]
