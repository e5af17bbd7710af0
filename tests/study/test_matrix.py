"""The matrix of runs and its start plan."""

import math

from hypothesis import given
from hypothesis import strategies as st

from pipeline.study.matrix import runs, variants
from pipeline.study.model import (
    BallSpec,
    CavitySpec,
    FlowSettings,
    Golfer,
    Launch,
    LayoutSpec,
    Pattern,
    Study,
)


def study_of(variant_lists, reynolds, spin_ratios):
    patterns = [
        Pattern(
            name=f"p{index}",
            layout=LayoutSpec(symmetry="none", count=300),
            cavity=CavitySpec(chord_diameter_m=0.0036),
            **values,
        )
        for index, values in enumerate(variant_lists)
    ]
    return Study(
        name="matrix",
        ball=BallSpec(diameter_m=0.0427, mass_kg=0.0459),
        patterns=patterns,
        flow=FlowSettings(fidelity="steady-rans", level="coarse", reynolds=reynolds, spin_ratios=spin_ratios),
        golfers=[
            Golfer(name="g", launch=Launch(ball_speed_m_s=70, launch_angle_rad=0.2, backspin_rad_s=270))
        ],
    )


def test_names_are_those_of_the_design():
    study = study_of([{"depths_m": [0.00025]}, {"edge_angles_rad": [math.radians(14)]}], [9e4], [0.08])
    assert [variant.key for variant in variants(study)] == ["d0.250mm", "e14.00deg"]
    assert [run.run_id for run in runs(study)] == [
        "runs/p0/d0.250mm/re90000/s0.080",
        "runs/p1/e14.00deg/re90000/s0.080",
    ]


def test_start_plan_of_a_small_study():
    """Worked by hand from the rule: root at the middle depth, spins in a chain, depths outwards."""
    study = study_of([{"depths_m": [0.0003, 0.0001, 0.0002, 0.0004]}], [9e4], [0.2, 0.1])
    plan = {run.run_id[8:]: run.starts_from and run.starts_from[8:] for run in runs(study)}
    assert plan == {
        "d0.200mm/re90000/s0.100": None,
        "d0.200mm/re90000/s0.200": "d0.200mm/re90000/s0.100",
        "d0.100mm/re90000/s0.100": "d0.200mm/re90000/s0.100",
        "d0.100mm/re90000/s0.200": "d0.200mm/re90000/s0.200",
        "d0.300mm/re90000/s0.100": "d0.200mm/re90000/s0.100",
        "d0.300mm/re90000/s0.200": "d0.200mm/re90000/s0.200",
        "d0.400mm/re90000/s0.100": "d0.300mm/re90000/s0.100",
        "d0.400mm/re90000/s0.200": "d0.300mm/re90000/s0.200",
    }


depth_lists = st.lists(st.integers(50, 400), min_size=1, max_size=7, unique=True).map(
    lambda values: {"depths_m": [value * 1e-6 for value in values]}
)
angle_lists = st.lists(st.integers(500, 2500), min_size=1, max_size=7, unique=True).map(
    lambda values: {"edge_angles_rad": [math.radians(value / 100) for value in values]}
)


@given(
    st.lists(depth_lists | angle_lists, min_size=1, max_size=3),
    st.lists(st.integers(10, 300).map(lambda value: value * 1e3), min_size=1, max_size=3, unique=True),
    st.lists(st.integers(0, 500).map(lambda value: value / 1e3), min_size=1, max_size=3, unique=True),
)
def test_the_matrix_is_complete_and_startable(variant_lists, reynolds, spin_ratios):
    study = study_of(variant_lists, reynolds, spin_ratios)
    plan = runs(study)
    count = sum(len(next(iter(values.values()))) for values in variant_lists)
    assert len(plan) == count * len(reynolds) * len(spin_ratios)
    assert len({run.run_id for run in plan}) == len(plan)
    assert sum(run.starts_from is None for run in plan) == len(study.patterns) * len(reynolds)
    seen = {}
    for run in plan:
        if run.starts_from is not None:
            parent = seen[run.starts_from]  # it came before
            assert (parent.pattern, parent.reynolds) == (run.pattern, run.reynolds)
        seen[run.run_id] = run
