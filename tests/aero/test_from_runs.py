"""From runs to tables: holes, lines without runs, doubles."""

import itertools

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.from_runs import tables_from_coefficients
from pipeline.errors import InputError

DEPTHS = (0.15e-3, 0.20e-3, 0.30e-3)
REYNOLDS = (9e4, 1.8e5)
SPIN_RATIOS = (0.08, 0.2)


def frame_of(depths=DEPTHS, reynolds=REYNOLDS, spin_ratios=SPIN_RATIOS, patterns=("ico332",)):
    """Runs whose coefficients are linear in depth, so that linear filling must be exact."""
    rows = []
    for pattern, depth, re, s in itertools.product(patterns, depths, reynolds, spin_ratios):
        rows.append(
            {
                "pattern": pattern,
                "depth_m": depth,
                "reynolds": re,
                "spin_ratio": s,
                "cd": 0.2 + 200 * depth + s / 10 + re / 1e7,
                "cl": 0.3 - 300 * depth + s,
                "cm": -0.001 - depth,
                "cd_se": 0.001,
                "cl_se": 0.002,
                "cm_se": 1e-5,
                "verdict": "settled",
                "run": f"runs/{pattern}/{depth}/{re}/{s}",
            }
        )
    return pd.DataFrame(rows)


def fail(frame, verdict="diverged", **where):
    rows = np.ones(len(frame), dtype=bool)
    for column, value in where.items():
        rows &= frame[column] == value
    frame.loc[rows, "verdict"] = verdict
    frame.loc[rows, ["cd", "cl", "cm", "cd_se", "cl_se", "cm_se"]] = np.nan
    return frame


def test_every_pattern_and_depth_has_its_table():
    tables, notes = tables_from_coefficients(
        frame_of(patterns=("oct300", "ico332")).sample(frac=1, random_state=1)
    )
    assert notes == []
    assert set(tables) == set(itertools.product(("oct300", "ico332"), DEPTHS))
    table = tables["ico332", 0.20e-3]
    assert table.reynolds.tolist() == list(REYNOLDS) and table.spin_ratio.tolist() == list(SPIN_RATIOS)
    assert table.cd[1, 0] == pytest.approx(0.2 + 0.04 + 0.008 + 0.018)
    assert table.cl_se.tolist() == [[0.002, 0.002], [0.002, 0.002]]


def test_noisy_and_drifting_runs_are_used():
    frame = frame_of()
    frame.loc[0, "verdict"], frame.loc[1, "verdict"] = "noisy", "drifting"
    tables, notes = tables_from_coefficients(frame)
    assert len(tables) == 3 and notes == []


@pytest.mark.parametrize("verdict", ["diverged", "crashed", "killed"])
def test_a_hole_is_filled_from_its_neighbours_in_depth(verdict):
    whole, _ = tables_from_coefficients(frame_of())
    tables, notes = tables_from_coefficients(
        fail(frame_of(), verdict, depth_m=0.2e-3, reynolds=9e4, spin_ratio=0.2)
    )
    filled = tables["ico332", 0.2e-3]
    for name in ("cd", "cl", "cm"):
        assert getattr(filled, name) == pytest.approx(getattr(whole["ico332", 0.2e-3], name), rel=1e-12)
    # Weights 2/3 and 1/3 of two independent values.
    assert filled.cd_se[0, 1] == pytest.approx(0.001 * np.hypot(2 / 3, 1 / 3))
    assert filled.cd_se[1, 1] == 0.001
    assert notes == [
        f"ico332: depth 0.200 mm, reynolds 90000, spin_ratio 0.2: no usable run ({verdict}); "
        "filled from depths 0.150 mm and 0.300 mm."
    ]


def test_a_run_without_a_row_is_a_hole_too():
    frame = frame_of()
    gone = (frame["depth_m"] == 0.2e-3) & (frame["reynolds"] == 9e4) & (frame["spin_ratio"] == 0.2)
    tables, notes = tables_from_coefficients(frame[~gone])
    assert len(tables) == 3 and "no usable run (missing); filled" in notes[0]


def test_a_run_without_result_is_told():
    frame = frame_of()
    frame.loc[5, ["depth_m", "reynolds", "spin_ratio", "cd", "cl", "cm", "cd_se", "cl_se", "cm_se"]] = np.nan
    frame.loc[5, "verdict"] = "missing"
    tables, notes = tables_from_coefficients(frame)
    assert len(tables) == 3
    assert notes[0] == "ico332: 1 of 12 runs left no result (runs/ico332/0.0002/90000.0/0.2, ...)."


def test_a_hole_at_the_end_costs_the_depth():
    tables, notes = tables_from_coefficients(fail(frame_of(), depth_m=0.3e-3, reynolds=9e4, spin_ratio=0.2))
    assert set(tables) == {("ico332", 0.15e-3), ("ico332", 0.2e-3)}
    assert len(notes) == 1 and "this depth is left out" in notes[0] and "0.300 mm" in notes[0]


def test_a_reynolds_number_without_runs_is_left_out():
    tables, notes = tables_from_coefficients(fail(frame_of(), reynolds=1.8e5))
    assert len(tables) == 3
    assert all(table.reynolds.tolist() == [9e4] for table in tables.values())
    assert notes == ["ico332: no usable run at reynolds 180000, which is left out."]


def test_a_spin_ratio_without_runs_is_left_out():
    tables, notes = tables_from_coefficients(fail(frame_of(), spin_ratio=0.2))
    assert all(table.spin_ratio.tolist() == [0.08] for table in tables.values())
    assert notes == ["ico332: no usable run at spin_ratio 0.2, which is left out."]


def test_all_runs_failed_leaves_no_table_and_other_patterns_as_they_are():
    tables, notes = tables_from_coefficients(fail(frame_of(patterns=("a", "b")), pattern="a"))
    assert {name for name, _ in tables} == {"b"} and len(tables) == 3
    assert notes == ["a: no run is usable, so that nothing can be said of this pattern."]


def test_one_depth_is_enough_for_its_table():
    tables, notes = tables_from_coefficients(frame_of(depths=(0.2e-3,)))
    assert set(tables) == {("ico332", 0.2e-3)} and notes == []


def test_a_mean_without_standard_error_is_not_used():
    frame = frame_of()
    frame.loc[0, "cl_se"] = np.nan
    tables, notes = tables_from_coefficients(frame)
    assert ("ico332", 0.15e-3) not in tables and "0.150 mm" in notes[0]


def test_without_moments_the_tables_have_none():
    tables, notes = tables_from_coefficients(frame_of().assign(cm=np.nan, cm_se=np.nan))
    assert all(table.cm is None for table in tables.values()) and notes == []
    frame = frame_of()
    frame.loc[0, "cm"] = np.nan
    tables, notes = tables_from_coefficients(frame)
    assert all(table.cm is None for table in tables.values())
    assert notes == [
        "ico332: some runs have no moment; the spin decays at the published rate for all of them."
    ]


def test_a_run_twice_is_refused():
    frame = pd.concat([frame_of(), frame_of().iloc[[3]]])
    with pytest.raises(InputError) as error:
        tables_from_coefficients(frame)
    assert str(error.value) == (
        "coefficients: pattern ico332, depth 0.150 mm, reynolds 180000, spin_ratio 0.2: has two rows; "
        "keep one"
    )


def test_a_missing_column_is_named():
    with pytest.raises(InputError, match='column "verdict" is missing'):
        tables_from_coefficients(frame_of().drop(columns="verdict"))
