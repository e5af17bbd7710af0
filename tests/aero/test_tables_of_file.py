"""Tables of a file: plain grids, a study's tables.csv and coefficients.csv, and what is wrong with them."""

import itertools
from pathlib import Path

import numpy as np
import pytest

from pipeline.aero.tables_of_file import read_tables
from pipeline.errors import InputError

NODES = list(itertools.product((8e4, 1.8e5), (0.08, 0.2)))
RUNS_HEAD = "pattern,depth_m,reynolds,spin_ratio,cd,cd_se,cl,cl_se,cm,cm_se,verdict,run"


def runs(folder: Path, change=lambda rows: rows, head: str = RUNS_HEAD) -> Path:
    """Runs of two patterns at two depths; Cd is 0.2 plus the depth in mm, Cm a turning ball's or not."""
    rows = [
        f"{pattern},{depth},{re},{s},{0.2 + 1e3 * depth},0.001,{s},0.002,{cm * s},0.0001,settled,r/{pattern}"
        for pattern, cm in (("a", -0.0075), ("b", 0.001))
        for depth in (0.15e-3, 0.2e-3)
        for re, s in NODES
    ]
    path = folder / "coefficients.csv"
    path.write_text("\n".join([head, *change(rows)]) + "\n")
    return path


def test_every_pattern_and_depth_of_a_file_is_a_table(tmp_path):
    tables, notes = read_tables(runs(tmp_path))
    assert [(of.pattern, of.depth_m) for of in tables] == [
        ("a", 0.15e-3), ("a", 0.2e-3), ("b", 0.15e-3), ("b", 0.2e-3)
    ]  # fmt: skip
    assert tables[0].name == "coefficients.csv: a 0.15 mm"
    for of in tables:
        assert of.table.cd == pytest.approx(np.full((2, 2), 0.2 + 1e3 * of.depth_m))
        assert of.table.cl == pytest.approx(np.array([[0.08, 0.2], [0.08, 0.2]]))
        assert of.table.cd_se.tolist() == [[0.001] * 2] * 2
    # the moment of a ball whose wall stands still is not flown; 0.6 to 1.4 of the published one is
    assert tables[0].table.cm is not None and tables[2].table.cm is None
    (note,) = notes
    assert "b: the computed moment is not that of a turning ball in 8 of 8 runs" in note


def test_runs_on_a_finer_mesh_are_left_out_and_named(tmp_path):
    def finer(rows):
        own = [row.replace(",r/a", ",runs/a/d0.150mm/re/s") for row in rows]
        return [*own, own[0].replace("0.150mm", "0.150mm-graded").replace(",0.35,", ",0.30,")]

    tables, notes = read_tables(runs(tmp_path, finer))
    assert tables[0].table.cd == pytest.approx(np.full((2, 2), 0.35))
    assert any("1 runs on a finer mesh are left out" in note for note in notes)


def test_options_choose_among_them(tmp_path):
    path = runs(tmp_path)
    tables, notes = read_tables(path, "a", 0.2e-3)
    assert [(of.pattern, of.depth_m) for of in tables] == [("a", 0.2e-3)] and notes == []
    assert [of.pattern for of in read_tables(path, depth_m=0.15e-3)[0]] == ["a", "b"]
    assert read_tables(path, "a", 0.2002e-3)[0][0].depth_m == 0.2e-3  # as close as folders tell depths apart


def test_failed_runs_leave_holes_that_are_named(tmp_path):
    def fail(rows):
        return [rows[0].replace("settled", "diverged"), *rows[1:], "a,,,,,,,,,,missing,r/none"]

    with pytest.raises(
        InputError, match=r"a 0.15 mm: has no usable row for reynolds 80000, spin_ratio 0.08 \(1 m"
    ):
        read_tables(runs(tmp_path, fail))
    assert len(read_tables(runs(tmp_path, fail), "a", 0.2e-3)[0]) == 1


@pytest.mark.parametrize(
    ("change", "options", "message"),
    [
        (lambda rows: rows, {"pattern": "c"}, "--pattern: c: is not in .*, which has a, b"),
        (lambda rows: rows, {"depth_m": 0.3e-3}, "--depth: 0.3 mm: is not in .*, which has a 0.15 mm, a"),
        (lambda rows: [*rows, rows[0]], {}, "reynolds 80000, spin_ratio 0.08: is there twice, .* line 18"),
        (lambda rows: [rows[0].replace("0.35,", "35,"), *rows[1:]], {}, "line 2, cd: 35 is not a number"),
        (lambda rows: [*rows, "a,b"], {}, r":18: has 2 values: must have 12"),
        (lambda rows: [row.replace("settled", "crashed") for row in rows], {}, "no run is usable .crashed"),
        (lambda rows: [], {}, "has a header but no rows"),
    ],
)  # fmt: skip
def test_one_line_for_what_is_wrong(tmp_path, change, options, message):
    with pytest.raises(InputError, match=message) as caught:
        read_tables(runs(tmp_path, change), **options)
    assert "\n" not in str(caught.value)


def test_a_column_that_is_missing_is_named(tmp_path):
    path = tmp_path / "tables.csv"
    path.write_text("pattern,depth_m,reynolds,spin_ratio,cd\na,0.0002,8e4,0.1,0.25\n")
    with pytest.raises(InputError, match=':1: column "cl" is missing'):
        read_tables(path)


def test_a_plain_grid_is_one_table_and_has_no_patterns(tmp_path):
    path = tmp_path / "grid.csv"
    rows = [f"{re},{s},0.25,0.003,0.2,0.004,0.7" for re, s in NODES]
    head = "# study: invented\n# depths, with commas\nreynolds,spin_ratio,cd,cd_se,cl,cl_se,tripped_share"
    path.write_text("\n".join([head, *rows]) + "\n")
    (of,), notes = read_tables(path)
    assert (of.pattern, of.depth_m, of.name, notes) == (None, None, "grid.csv", [])
    assert of.table.cd_se.tolist() == [[0.003] * 2] * 2 and of.table.cl_se.tolist() == [[0.004] * 2] * 2
    for options in ({"pattern": "a"}, {"depth_m": 0.2e-3}):
        with pytest.raises(InputError, match="is one table without patterns and depths; --"):
            read_tables(path, **options)
    path.write_text(path.read_text().replace("0.003", "-0.003", 1))
    with pytest.raises(InputError, match=r'grid\.csv:4: cd_se: "-0\.003" is not a standard error from 0 up'):
        read_tables(path)
