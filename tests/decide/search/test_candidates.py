"""Candidates of a family: what is drawn, what is refused, and what their features are."""

import numpy as np
import pytest

from pipeline.decide.search.candidates import OVERLAP, TOO_NARROW, TOO_WIDE, make_candidates
from pipeline.decide.search.features import FEATURES, features_of
from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import layout_spec, variant_spec
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.geometry.ball.totals import totals
from pipeline.geometry.build import make_ball, make_layout
from pipeline.geometry.layout.layout import Layout
from pipeline.study.file import study_of
from pipeline.study.matrix import Variant

TEXT = """\
name: family
ball: {diameter: 42.70 mm, mass: 45.9 g}
patterns:
  search:
    candidates: 8
    layout:
      symmetry: [icosahedral]
      count: {lowest: 300, highest: 340}
      classes: [1, 3]
      seam: [none]
      narrowest_land: {lowest: 0.05 mm, highest: 0.60 mm}
    cavity: [{profile: arc}, {profile: cone, joint: {lowest: 40 %, highest: 80 %}}]
    coverage: {lowest: 60 %, highest: 78 %}
    depths: {shallowest: 0.12 mm, deepest: 0.30 mm}
    edge_angles: {lowest: 8 deg, highest: 20 deg}
flow: {fidelity: steady-rans, level: coarse, reynolds: [9e4, 1.8e5], spin_ratios: [0.1, 0.2]}
golfers:
  - name: fast swing
    launch: {ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}
"""


LISTED = """\
patterns:
  - name: ico32
    layout: {symmetry: icosahedral, count: 32}
    cavity: {chord_diameter: 3.58 mm}
    depths: [0.15 mm, 0.20 mm]
"""


def family(tmp_path, *changes):
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return study_of(tmp_path / "study.yaml", text, searched=True)


def test_each_candidate_can_be_made_as_it_stands_in_a_study(tmp_path):
    study = family(tmp_path)
    found = make_candidates(study, make_layout).found
    assert len(found) == 8 and len({one.pattern.name for one in found}) == 8
    for one in found[:4]:
        listed = study.model_copy(update={"patterns": [one.pattern]})
        spec = layout_spec(listed, one.pattern)
        assert spec.content()["starts"] == 1
        layout = make_layout(spec)
        np.testing.assert_allclose(layout.directions, one.layout.directions)
        np.testing.assert_allclose(layout.chord_diameters_m, one.layout.chord_diameters_m)
        for depth in one.depth_m:
            spec = variant_spec(listed, Variant(one.pattern.name, "d", depth, None))
            of = totals(make_ball(layout, spec))
            assert 0.60 - 1e-4 <= of.coverage <= 0.78 + 1e-4
            assert 0.05e-3 - 1e-8 <= of.narrowest_land_m <= 0.60e-3 + 1e-8
            assert 8.0 - 1e-6 <= of.edge_angle_min_deg and of.edge_angle_max_deg <= 20.0 + 1e-6


def test_a_layout_that_names_no_starts_keeps_its_key(tmp_path):
    text = TEXT[: TEXT.index("patterns:")] + LISTED + TEXT[TEXT.index("flow:") :]
    study = study_of(tmp_path / "study.yaml", text)
    assert "starts" not in layout_spec(study, study.patterns[0]).content()


def test_the_seed_gives_the_same_candidates_and_a_larger_number_adds_to_them(tmp_path):
    single = ("classes: [1, 3]", "classes: [1]")
    few, many, other = (
        [one.pattern for one in make_candidates(family(tmp_path, single, change), make_layout).found]
        for change in (
            ("candidates: 8", "candidates: 4"),
            ("candidates: 8", "candidates: 7"),
            ("candidates: 8", "candidates: 4\n    seed: 2"),
        )
    )
    assert many[:4] == few
    assert not {one.name for one in other} & {one.name for one in few}


def test_refused_patterns_are_counted_by_reason(tmp_path):
    single, seen = ("classes: [1, 3]", "classes: [1]"), []
    for change, reason in (
        (("lowest: 60 %, highest: 78 %", "lowest: 75 %, highest: 95 %"), OVERLAP),
        (("lowest: 0.05 mm", "lowest: 0.40 mm"), TOO_NARROW),
        (("highest: 0.60 mm", "highest: 0.30 mm"), TOO_WIDE),
    ):
        refused = make_candidates(family(tmp_path, single, change), make_layout).refused
        seen.append(refused[reason])
    assert all(seen)


def test_what_nothing_can_be_made_of_is_refused_with_the_reasons(tmp_path):
    few, one = ("candidates: 8", "candidates: 2"), ("classes: [1, 3]", "classes: [1]")
    with pytest.raises(InputError, match=rf"none of 40 patterns .*{OVERLAP} \d+.*; widen its ranges"):
        make_candidates(
            family(tmp_path, few, one, ("lowest: 60 %, highest: 78 %", "lowest: 94 %, highest: 95 %")),
            make_layout,
        )
    with pytest.raises(InputError, match="no symmetry has a layout of 303 to 304 dimples"):
        make_candidates(
            family(tmp_path, ("lowest: 300, highest: 340", "lowest: 303, highest: 304")), make_layout
        )


def test_a_cutter_too_large_for_the_hollow_is_refused(tmp_path):
    # An arc 4 mm across, 0.3 mm below the sphere and so h = 0.3 - 0.094 mm below its edge, has a radius of
    # (a^2 + h^2) / 2h = 9.8 mm [computed]: a cutter of 15 mm cuts none.
    wide = ("edge_angles:", "smallest_cutter: 15 mm\n    edge_angles:")
    single = ("classes: [1, 3]", "classes: [1]")
    with pytest.raises(InputError, match=r"cutter too large for the hollow \d+"):
        make_candidates(family(tmp_path, wide, single, ("candidates: 8", "candidates: 2")), make_layout)


def test_features_of_the_icosahedron():
    # 12 dimples at the vertices, arctan 2 apart [computed]; half angle beta covers 12 (1 - cos beta) / 2.
    phi = 0.5 * (1 + np.sqrt(5.0))
    points = [[0, a, b * phi] for a in (-1, 1) for b in (-1, 1)]
    points = np.array(points + [np.roll(p, 1) for p in points] + [np.roll(p, 2) for p in points], float)
    layout = Layout(
        points / np.linalg.norm(points, axis=1, keepdims=True), np.full(12, 8e-3), "icosahedral", 60
    )
    of = features_of(DimpledBall(layout, 0.6e-3, 0.0427))
    beta = np.arcsin(8.0 / 42.7)
    assert list(of) == list(FEATURES)
    assert of["coverage"] == pytest.approx(6 * (1 - np.cos(beta)))
    assert of["land_m"] == pytest.approx((np.arctan(2.0) - 2 * beta) * 0.0427 / 2)
    assert of["uniformity"] == pytest.approx(0.0, abs=1e-9) and of["chord_spread"] == pytest.approx(0.0)
