"""Coefficient models of patterns: sampling, holes, bad tables, pairing."""

import itertools

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.conditions import Points
from pipeline.aero.model import CoefficientModel
from pipeline.aero.patterns import fit_of, models_from_coefficients
from pipeline.aero.published import smits_smith_1994
from pipeline.aero.stated_error import StatedError
from pipeline.aero.table_file import read_table, write_table
from pipeline.errors import InputError

DEPTHS = (0.15e-3, 0.20e-3, 0.25e-3, 0.30e-3)
REYNOLDS, SPIN_RATIOS = (9e4, 1.3e5, 1.8e5), (0.08, 0.14, 0.2)
NUMBERS = ["cd", "cl", "cm", "cd_se", "cl_se", "cm_se"]


def frame_of(
    depths=DEPTHS, reynolds=REYNOLDS, spin_ratios=SPIN_RATIOS, patterns=("ico332",), noise=0.0, se=0.001
):
    """Runs of the Smits & Smith fit [memory] with a planted effect of depth."""
    rng = np.random.default_rng(2)
    rows = []
    for pattern, depth, re, s in itertools.product(patterns, depths, reynolds, spin_ratios):
        fit, off = smits_smith_1994(re, s), (depth - 0.22e-3) / 1e-4
        rows.append(
            {
                "pattern": pattern, "depth_m": depth, "reynolds": re, "spin_ratio": s,
                "cd": float(fit.cd) + 0.01 * off**2 + rng.normal(0, noise), "cd_se": se,
                "cl": float(fit.cl) * (1 - 0.05 * off) + rng.normal(0, noise), "cl_se": se,
                "cm": -0.01 * s, "cm_se": 1e-5, "verdict": "settled", "run": ""
                f"runs/{pattern}/{depth}/{re}/{s}",
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def fail(frame, verdict="diverged", **where):
    rows = np.logical_and.reduce([frame[column] == value for column, value in where.items()])
    frame.loc[rows, "verdict"] = verdict
    frame.loc[rows, NUMBERS] = np.nan
    return frame


def test_sampled_tables_carry_the_posterior():
    model = CoefficientModel("ico332", frame_of())
    assert model.depth_m == pytest.approx(DEPTHS)
    assert set(REYNOLDS) <= set(np.round(model.reynolds, 6)) and set(SPIN_RATIOS) <= set(model.spin_ratio)
    assert model.reynolds[[0, -1]].tolist() == [9e4, 1.8e5]
    table = model.tables([0.2e-3])[0]
    points = Points.grid(np.array([0.2e-3]), table.reynolds, table.spin_ratio)
    smooth = model.surfaces[0].surface.smooth
    assert table.cd.ravel() == pytest.approx(smooth["cd"].mean(points))
    assert table.cl_se.ravel() == pytest.approx(np.sqrt(smooth["cl"].variance(points)))


@pytest.mark.parametrize("shape", [(2, 2), (3, 3), (4, 4)])
def test_error_of_the_sampling_is_below_a_tenth_of_the_standard_error(shape):
    # The bound: bilinear interpolation between the nodes against the model itself.
    reynolds, spins = np.geomspace(8e4, 2e5, shape[0]), np.linspace(0.08, 0.25, shape[1])
    model = CoefficientModel("ico332", frame_of(reynolds=reynolds, spin_ratios=spins, noise=0.001))
    rng = np.random.default_rng(1)
    re, s = np.exp(rng.uniform(*np.log([8e4, 2e5]), 400)), rng.uniform(0.08, 0.25, 400)
    points = Points(np.full(400, 0.2e-3), re, s)
    sampled = model.tables([0.2e-3])[0].at(re, s)
    for name in ("cd", "cl"):
        process = model.surfaces[0].surface.smooth[name]
        wrong = np.abs(getattr(sampled, name) - process.mean(points))
        ratio = wrong / np.sqrt(process.variance(points))
        assert np.sqrt(np.mean(ratio**2)) < 0.1


def test_draws_of_a_depth_do_not_depend_on_the_golfer_and_are_paired_between_depths():
    model = CoefficientModel("ico332", frame_of())
    batch = model.draws([0.2e-3, 0.25e-3], 300, seed=1)
    drag = batch.values[..., 0].reshape(2, 300, *batch.values.shape[1:3])
    middle = drag[:, :, drag.shape[2] // 4, drag.shape[3] // 3]  # between nodes
    assert np.corrcoef(middle)[0, 1] > 0.9
    assert np.array_equal(batch.values, model.draws([0.2e-3, 0.25e-3], 300, seed=1).values)
    assert not np.array_equal(batch.values, model.draws([0.2e-3, 0.25e-3], 300, seed=2).values)


def test_mesh_error_has_the_stated_size_and_share():
    model = CoefficientModel("ico332", frame_of(se=1e-5))
    error = StatedError(0.02, 0.03, 0.6)
    plain = model.draws([0.15e-3, 0.30e-3], 4000, 1)
    moved = model.draws([0.15e-3, 0.30e-3], 4000, 1, [error])
    drag, lift = ((moved.values - plain.values)[:, 1, 2, c].reshape(2, 4000) for c in (0, 1))
    # Plain and moved draw different noise after the first coefficient, so that the posterior's own spread of
    # the lift remains; both are far smaller than the mesh error here.
    assert drag.std(axis=1) == pytest.approx([0.02, 0.02], rel=0.04)
    assert lift.std(axis=1) == pytest.approx([0.03, 0.03], rel=0.04)
    # Own part: Matern 5/2 at one length (0.15 mm) is 0.524 [computed], so 0.6 + 0.4 x 0.524.
    assert np.corrcoef(drag)[0, 1] == pytest.approx(0.6 + 0.4 * 0.524, abs=0.03)


def test_an_error_of_the_slope_turns_the_curve_over_depth():
    model = CoefficientModel("ico332", frame_of(se=1e-5))
    depths = np.array([0.15e-3, 0.225e-3, 0.30e-3])  # the middle of those studied between the ends
    plain = model.draws(depths, 4000, 1)
    moved = model.draws(depths, 4000, 1, [StatedError(shared=1.0, cd_slope=0.4)])
    turned = (moved.values - plain.values)[:, 1, 2, 0].reshape(3, 4000)
    drag = plain.values[:, 1, 2, 0].reshape(3, 4000).mean(axis=1)
    assert turned.std(axis=1) == pytest.approx(0.4 * np.abs(drag - drag[1]), rel=0.05, abs=1e-6)
    assert turned[0].min() / (drag[0] - drag[1]) > -1.0  # no draw turns the slope round
    # One factor a draw: both ends move together, by the sign of their own change with depth.
    sign = np.sign((drag[0] - drag[1]) * (drag[2] - drag[1]))
    assert sign * np.corrcoef(turned[[0, 2]])[0, 1] > 0.999
    other = CoefficientModel("other", frame_of(se=1e-5))
    same = (other.draws(depths, 4000, 1, [StatedError(shared=1.0, cd_slope=0.4)]).values
            - other.draws(depths, 4000, 1).values)[:, 1, 2, 0].reshape(3, 4000)  # fmt: skip
    assert np.corrcoef(turned[0], same[0])[0, 1] > 0.999  # wholly shared between patterns


def test_holes_are_bridged_with_wider_intervals():
    whole, _ = models_from_coefficients(frame_of())
    holed, notes = models_from_coefficients(fail(frame_of(), depth_m=0.2e-3, reynolds=9e4, spin_ratio=0.08))
    assert notes == [
        "ico332: 1 of 36 runs are not usable (runs/ico332/0.0002/90000.0/0.08: diverged); the others "
        "bridge the gap, "
        "with wider intervals there."
    ]
    full, bridged = (models["ico332"].tables([0.2e-3])[0] for models in (whole, holed))
    assert bridged.cd_se[0, 0] > 1.1 * full.cd_se[0, 0]
    # The truth [memory], within three of the claimed standard deviations.
    truth = float(smits_smith_1994(9e4, 0.08).cd) + 0.01 * 0.2**2
    assert abs(bridged.cd[0, 0] - truth) < 3 * bridged.cd_se[0, 0]


def test_a_whole_depth_without_runs_is_not_studied():
    models, notes = models_from_coefficients(fail(frame_of(), depth_m=0.2e-3))
    assert models["ico332"].depth_m == pytest.approx([0.15e-3, 0.25e-3, 0.30e-3])
    assert "9 of 36 runs are not usable" in notes[0]


def test_bad_tables_give_a_line_each_and_what_is_still_possible():
    models, notes = models_from_coefficients(fail(frame_of(patterns=("a", "b")), pattern="a"))
    assert list(models) == ["b"]
    assert notes == ["a: no run is usable, so that nothing can be said of this pattern."]
    models, notes = models_from_coefficients(frame_of(depths=(0.2e-3,)))
    assert models["ico332"].depth_m.tolist() == [0.2e-3] and notes == []
    models, notes = models_from_coefficients(frame_of(spin_ratios=(0.0,)))  # no spin: no lift
    assert models["ico332"].tables([0.2e-3])[0].cl == pytest.approx(np.zeros((11, 1)), abs=1e-3)
    frame = frame_of()
    frame.loc[3, "cd"] = np.nan
    _, notes = models_from_coefficients(frame)
    assert "1 of 36 runs are not usable" in notes[0]
    doubled, notes = models_from_coefficients(pd.concat([frame_of(), frame_of().head(1)]))
    assert "depth 0.150 mm, reynolds 90000, spin_ratio 0.08: has two rows" in notes[0]
    assert "left out (2 of 37)" in notes[0] and len(doubled["ico332"].runs) == 35
    with pytest.raises(InputError, match='column "verdict" is missing'):
        models_from_coefficients(frame_of().drop(columns="verdict"))


def test_runs_that_left_nothing_are_counted():
    frame = frame_of()
    frame.loc[[0, 1], ["depth_m", "reynolds", "spin_ratio", *NUMBERS]] = np.nan
    frame.loc[[0, 1], "verdict"] = "missing"
    _, notes = models_from_coefficients(frame)
    assert "2 of 36 runs are not usable" in notes[0]


def test_without_moments_in_some_runs_there_is_none():
    frame = frame_of()
    frame.loc[0, "cm"] = np.nan
    models, notes = models_from_coefficients(frame)
    assert models["ico332"].tables([0.2e-3])[0].cm is None
    assert not models["ico332"].draws([0.2e-3], 2, 1).has_cm.any()
    assert notes == [
        "ico332: some runs have no moment; the spin decays at the published rate for all its depths."
    ]


def test_runs_that_belie_their_errors_are_told():
    _, notes = models_from_coefficients(
        frame_of(depths=np.linspace(0.15e-3, 0.35e-3, 8), noise=0.006, se=0.0003)
    )
    assert any("the model does not pass through its runs" in note for note in notes)
    _, notes = models_from_coefficients(frame_of(noise=0.001, se=0.001))
    assert notes == []


def test_exports(tmp_path):
    model = CoefficientModel("ico332", frame_of())
    tidy = model.frame([0.2e-3, 0.22e-3])
    assert list(tidy.columns) == [
        "pattern", "depth_m", "reynolds", "spin_ratio", "cd", "cd_se", "cl", "cl_se", "cm", "cm_se",
        "tripped_share",
    ]  # fmt: skip
    assert (
        len(tidy) == 2 * model.reynolds.size * model.spin_ratio.size
        and tidy.drop(columns="tripped_share").notna().all().all()
    )
    table = model.tables([0.22e-3])[0]
    write_table(table, tmp_path / "table.csv")
    back = read_table(tmp_path / "table.csv")
    assert np.array_equal(back.cd, table.cd) and np.array_equal(back.cm, table.cm)
    assert tidy["cd"].to_numpy()[-table.cd.size :] == pytest.approx(table.cd.ravel())


def test_leave_one_out_names_every_run():
    model = CoefficientModel("ico332", frame_of(noise=0.001))
    left_out = model.leave_one_out()
    assert len(left_out) == 3 * 36 and set(left_out["coefficient"]) == {"cd", "cl", "cm"}
    ratio = left_out["residual"] / left_out["claimed"]
    assert left_out["ratio"].to_numpy() == pytest.approx(ratio.to_numpy())
    assert fit_of(model).cd.worst_run in set(left_out["run"])
