"""Patterns that a mesh does not resolve."""

import pytest

from pipeline.flow.campaign.prepare import layout_spec, prepare
from pipeline.flow.campaign.unresolved import (
    ranked_as,
    unresolved_pair,
    unresolved_patterns,
    unresolved_results,
)
from pipeline.geometry.build import build_layout, make_layout
from pipeline.geometry.shell.surface_difference import SurfaceDifference
from pipeline.study.file import load_study

STUDY = """\
name: sections
ball: {{diameter: 42.70 mm, mass: 45.9 g}}
flow: {{fidelity: steady-rans, level: {level}, reynolds: [9e4, 1.5e5], spin_ratios: [0.1, 0.2]}}
golfers:
  - name: invented
    launch: {{ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}}
patterns:
"""
PATTERN = """\
  - name: {name}
    layout: {{symmetry: {symmetry}, count: 332, mirror: true{layout}}}
    cavity: {{profile: {cavity}, chord_diameter: {chord} mm}}
    depths: [{depths}]
"""


def study(folder, *patterns, level="coarse"):
    text = STUDY.format(level=level)
    for name, cavity, *rest in patterns:
        given = {"depths": "0.20 mm", "layout": "", "chord": 3.6, "symmetry": "icosahedral"} | (
            rest[0] if rest else {}
        )
        text += PATTERN.format(name=name, cavity=cavity, **given)
    file = folder / "study.yaml"
    file.write_text(text)
    return load_study(file)


def pairs(of):
    layouts = {pattern.name: make_layout(layout_spec(of, pattern)) for pattern in of.patterns}
    return unresolved_patterns(of, layouts)


@pytest.mark.parametrize("cavity", ["arc, edge_radius: 0.3 mm", "catenary"])
def test_sections_below_the_cells_are_unresolved_at_any_level(tmp_path, cavity):
    (found,) = pairs(study(tmp_path, ("plain", "arc"), ("other", cavity)))
    assert (found.pattern, found.other, found.resolved_at) == ("plain", "other", None)
    assert found.exact_m < 1e-6
    text = found.sentence.replace("\u00a0", " ")
    assert text.startswith("plain and other are not ranked against each other: at a depth of 0.200 mm their")
    assert text.endswith("no mesh level resolves it: compare them by prototypes.")


@pytest.mark.parametrize(
    "other",
    [
        ("other", "arc", {"depths": "0.22 mm"}),
        ("other", "arc", {"chord": 3.9}),
        ("other", "arc", {"symmetry": "octahedral"}),
        ("other", "arc", {"layout": ", orientation: seam-up"}),
        ("other", "two-radius, joint: 60 %, radius_ratio: 0.3"),
    ],
)
def test_depth_chord_place_and_volume_are_told_apart(tmp_path, other):
    assert pairs(study(tmp_path, ("plain", "arc"), other)) == []


def test_polygons_are_told_apart_from_circles_by_finer_cells(tmp_path):
    # Runs of a hexagon against a circle, Re 1.5e5, S 0.1: Cd -0.003 on the coarse mesh, +0.006 on the medium.
    (found,) = pairs(study(tmp_path, ("plain", "arc"), ("other", "arc, sides: 6")))
    # "graded" has the cells of "medium" along the ball, so the same facets.
    assert found.resolved_at == "graded" and 0.02e-3 < found.exact_m < 0.03e-3
    assert "level: graded resolves it" in found.sentence
    assert pairs(study(tmp_path, ("plain", "arc"), ("other", "arc, sides: 6"), level="medium")) == []


def test_depths_are_compared_in_the_middle_of_those_that_both_have(tmp_path):
    wide, narrow = {"depths": "0.10 mm, 0.30 mm"}, {"depths": "0.24 mm, 0.26 mm"}
    (found,) = pairs(study(tmp_path, ("wide", "arc", wide), ("narrow", "catenary", narrow)))
    assert found.depth_m == pytest.approx(0.25e-3)


def test_layouts_of_results_are_those_compared(tmp_path):
    of = study(tmp_path, ("plain", "arc"), ("other", "catenary"), ("third", "catenary"))
    prepare(of, tmp_path / "results")
    for name in ("plain", "other"):
        build_layout(tmp_path / "results" / "geometry" / name)
    (found,) = unresolved_results(of, tmp_path / "results")
    assert (found.pattern, found.other) == ("plain", "other")


def pair(one, other):
    return unresolved_pair(one, other, 2e-4, "coarse", 8e-4, SurfaceDifference(1e-7, 1e-6), None)


def test_the_first_of_the_study_stands_for_those_not_resolved_from_it():
    assert ranked_as("abcd", [pair("a", "c"), pair("c", "d")]) == {"a": "a", "b": "b", "c": "a", "d": "d"}
    assert ranked_as("cd", [pair("a", "c"), pair("c", "d")]) == {"c": "c", "d": "c"}
    assert ranked_as("ab", []) == {"a": "a", "b": "b"}
