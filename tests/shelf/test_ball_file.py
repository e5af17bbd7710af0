"""Files of balls: what is written comes back, and every fault is named with its line."""

import numpy as np
import pytest
from shelf.balls import ball

from pipeline.aero.table_file import read_table
from pipeline.errors import InputError
from pipeline.files.columns import Problems
from pipeline.shelf.ball import level_modes, modes_of
from pipeline.shelf.ball_file import read_ball, write_ball
from pipeline.shelf.folder import add_balls, names_on, read_shelf


def whole(path):
    problems = Problems()
    found = read_ball(path, problems)
    problems.refuse()
    return found


def test_a_ball_comes_back(tmp_path):
    given = ball(
        "tour-old", pattern="ico332", depth_m=2.5e-4, diameter_m=0.0427, mass_kg=0.0459, balls=6, shots=72,
        date="2026-11", conditions="20 degC", geometry="332 dimples", note="invented", source="x.csv",
        critical_reynolds=7e4, critical_spread=0.05,
    )  # fmt: skip
    write_ball(given, tmp_path / "tour-old.csv")
    found = whole(tmp_path / "tour-old.csv")
    for key in ("name", "kind", "pattern", "place", "date", "conditions", "geometry", "note", "source"):
        assert getattr(found, key) == getattr(given, key)
    for key in ("depth_m", "diameter_m", "mass_kg", "critical_reynolds", "critical_spread", "balls", "shots"):
        assert getattr(found, key) == pytest.approx(getattr(given, key), rel=1e-6)
    np.testing.assert_allclose(found.table.cd, given.table.cd, rtol=1e-6)
    np.testing.assert_allclose(found.modes, level_modes(given.table), atol=1e-9)
    assert found.inside.all()
    text = (tmp_path / "tour-old.csv").read_text()
    assert "cd_mode_1" not in text and "inside" not in text  # nothing that says no more
    write_ball(found, tmp_path / "again.csv")
    assert (tmp_path / "again.csv").read_text() == text  # so that git shows what changed and nothing else


def test_joint_errors_and_nodes_outside_come_back(tmp_path):
    from dataclasses import replace

    of = ball("b")
    rng = np.random.default_rng(1)
    root = rng.normal(0, 1e-3, (2 * of.table.cd.size, 3))
    modes = modes_of(root @ root.T, of.table.cd.shape)
    inside = rng.random(of.table.cd.shape) > 0.3
    write_ball(replace(of, modes=modes, inside=inside), tmp_path / "b.csv")
    found = whole(tmp_path / "b.csv")
    assert (found.inside == inside).all()
    flat = np.moveaxis(found.modes, -1, 1).reshape(len(found.modes), -1)
    np.testing.assert_allclose(flat.T @ flat, root @ root.T, atol=1e-9)


def test_a_ball_can_be_flown_as_a_table(tmp_path):
    from dataclasses import replace

    of = ball("b")
    inside = np.arange(of.table.cd.size).reshape(of.table.cd.shape) > 3
    write_ball(replace(of, modes=np.concatenate([of.modes, of.modes]), inside=inside), tmp_path / "b.csv")
    assert "cd_mode_4" in (tmp_path / "b.csv").read_text()
    np.testing.assert_allclose(read_table(tmp_path / "b.csv").cl, of.table.cl, rtol=1e-6)


def test_semicolons_and_decimal_commas_are_read(tmp_path):
    write_ball(ball("b"), tmp_path / "b.csv")
    lines = (tmp_path / "b.csv").read_text().splitlines()
    body = [line if line.startswith("#") else line.replace(",", ";").replace(".", ",") for line in lines]
    (tmp_path / "comma").mkdir()
    (tmp_path / "comma" / "b.csv").write_text("\n".join(body))
    np.testing.assert_array_equal(
        whole(tmp_path / "comma" / "b.csv").table.cd, whole(tmp_path / "b.csv").table.cd
    )


def test_every_fault_of_every_file_at_once(tmp_path):
    add_balls(tmp_path, [ball("a"), ball("b"), ball("c")])
    a = (tmp_path / "a.csv").read_text().splitlines()
    a[1] = "# name: other"
    a[3] = "# placee: x"
    a[6] = a[6].replace("0.2", "x", 1)
    (tmp_path / "a.csv").write_text("\n".join(a))
    b = (tmp_path / "b.csv").read_text().splitlines()
    (tmp_path / "b.csv").write_text("\n".join(b[:-1]))
    (tmp_path / "c.csv").write_text("reynolds,cd\n")
    with pytest.raises(InputError) as raised:
        read_shelf(tmp_path)
    told = str(raised.value)
    assert 'name: "other" is not that of the file, a' in told
    assert 'a.csv:4: placee: is no key; did you mean "place"?' in told and "place: is missing" in told
    assert "a.csv:7" in told
    assert "b.csv:46: the grid of 6 Reynolds numbers and 7 spin ratios has no row for 210000, 0.36" in told
    assert "c.csv:1: is no ball of the shelf" in told and "column spin_ratio is missing" in told


def test_nothing_is_added_by_halves(tmp_path):
    add_balls(tmp_path / "s", [ball("a")])
    before = (tmp_path / "s" / "a.csv").read_text()
    with pytest.raises(InputError, match="is there already"):
        add_balls(tmp_path / "s", [ball("b"), ball("a", cd=1.1)])
    assert names_on(tmp_path / "s") == ["a"] and (tmp_path / "s" / "a.csv").read_text() == before
    with pytest.raises(InputError, match="two balls would have this name"):
        add_balls(tmp_path / "s", [ball("b"), ball("b")])
    add_balls(tmp_path / "s", [ball("a", cd=1.1)], replace=True)
    assert (tmp_path / "s" / "a.csv").read_text() != before
    with pytest.raises(InputError, match='no ball aa; did you mean "a"'):
        read_shelf(tmp_path / "s", ["aa"])
