"""Plain tables from tunnels and ranges: grids as they are, scattered conditions by a fit with its errors."""

import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.shelf.plain_table import ball_of_table

HEAD = "reynolds,spin_ratio,cd,cd_se,cl,cl_se\n"


def truth(re, s):
    log = np.log(re / 1.2e5)
    return 0.24 + 0.1 * s + 0.5 * s**2 - 0.02 * log, 0.08 + 0.9 * s - 0.6 * s**2 - 0.03 * log + 0.1 * s * log


def rows(re, s, cd, cl, se=0.002):
    return HEAD + "\n".join(
        f"{a:.3f},{b:.9f},{c:.9f},{se},{d:.9f},{2 * se}" for a, b, c, d in zip(re, s, cd, cl, strict=True)
    )


def ragged(n=4, spins=5):
    """Spins of a range at several speeds: no grid in the spin ratio."""
    speed = np.repeat(np.linspace(30, 75, n), spins)
    spin = np.tile(np.linspace(1500, 4500, spins), n) * np.pi / 30
    return speed * 0.0427 / 1.5e-5, spin * 0.0427 / (2 * speed)


def test_a_grid_stays_as_it_is(tmp_path):
    re, s = (of.ravel() for of in np.meshgrid([8e4, 1.6e5], [0.05, 0.1, 0.2], indexing="ij"))
    (tmp_path / "t.csv").write_text(rows(re, s, *truth(re, s)))
    ball = ball_of_table(tmp_path / "t.csv", "b", place="tunnel")
    np.testing.assert_allclose(ball.table.cd.ravel(), truth(re, s)[0], atol=1e-6)
    assert ball.inside.all() and ball.kind == "measured" and len(ball.modes) == 2


def test_scattered_conditions_are_fitted(tmp_path):
    re, s = ragged()
    (tmp_path / "t.csv").write_text(rows(re, s, *truth(re, s)))
    ball = ball_of_table(tmp_path / "t.csv", "b", place="range")
    nodes = np.meshgrid(ball.table.reynolds, ball.table.spin_ratio, indexing="ij")
    for of, wanted in zip((ball.table.cd, ball.table.cl), truth(*nodes), strict=True):
        np.testing.assert_allclose(of[ball.inside], wanted[ball.inside], atol=2e-6)
    assert 0.2 < ball.inside.mean() < 1.0 and "20 scattered conditions" in ball.note


def test_errors_of_a_fit_hold_the_truth(tmp_path):
    """With errors of level and of single values as stated, 90 % intervals hold the truth as often."""
    re, s = ragged()
    held = []
    for seed in range(120):
        rng = np.random.default_rng(seed)
        cd, cl = truth(re, s)
        cd = cd + 0.002 * (rng.normal() + rng.normal(size=re.size))
        cl = cl + 0.004 * (rng.normal() + rng.normal(size=re.size))
        (tmp_path / "t.csv").write_text(rows(re, s, cd, cl, se=0.002))
        ball = ball_of_table(tmp_path / "t.csv", "b", place="range")
        i, j = np.argwhere(ball.inside)[int(rng.integers(ball.inside.sum()))]
        wanted = truth(ball.table.reynolds[i], ball.table.spin_ratio[j])
        held.append(abs(ball.table.cd[i, j] - wanted[0]) < 1.645 * ball.table.cd_se[i, j])
        held.append(abs(ball.table.cl[i, j] - wanted[1]) < 1.645 * ball.table.cl_se[i, j])
    assert 0.84 < np.mean(held) < 0.96  # 240 of 0.9: two standard errors are 0.04


def test_too_little_is_refused(tmp_path):
    re, s = ragged(2, 3)
    (tmp_path / "t.csv").write_text(rows(re, s, *truth(re, s)))
    with pytest.raises(InputError, match="6 conditions that are no full grid; 8 are needed"):
        ball_of_table(tmp_path / "t.csv", "b")
    re = np.full(9, 1e5)
    s = np.linspace(0.05, 0.3, 9)
    (tmp_path / "t.csv").write_text(rows(re + np.arange(9), s, *truth(re, s)))
    with pytest.raises(InputError, match="do not determine"):
        ball_of_table(tmp_path / "t.csv", "b")


def test_all_faults_at_once_and_semicolons(tmp_path):
    (tmp_path / "t.csv").write_text(
        "reynolds;spin_ratio;cd;cl\n8e4;0,1;0,25;0,15\n8e4;0,2;x;0,2\n1e5;9;0,25;\n1e5;0,2;0,26;0,2\n"
    )
    with pytest.raises(InputError) as raised:
        ball_of_table(tmp_path / "t.csv", "b")
    told = str(raised.value)
    assert 't.csv:3: cd: "x" is not a number' in told
    assert 't.csv:4: spin_ratio: "9"' in told and "t.csv:4: cl: is empty" in told
