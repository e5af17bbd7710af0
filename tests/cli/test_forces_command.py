"""`depthline forces` on cases that were not written here."""

import math
from pathlib import Path

import numpy as np
import pytest


def case(folder: Path, cd: np.ndarray, cl: np.ndarray) -> Path:
    path = folder / "postProcessing/coeffs/0/coefficient.dat"
    path.parent.mkdir(parents=True)
    rows = "".join(f"{i + 1} {a:.9e} {b:.9e}\n" for i, (a, b) in enumerate(zip(cd, cl, strict=True)))
    path.write_text("# Force coefficients\n# magUInf : 1\n# Time\tCd\tCl\n" + rows)
    return folder


def red(n: int, a: float, seed: int) -> np.ndarray:
    """A first-order autoregressive series, whose mean has the standard error 1 / ((1 - a) sqrt(n))."""
    from scipy.signal import lfilter

    return lfilter([1.0], [1.0, -a], np.random.default_rng(seed).normal(size=n + 500))[500:]


def test_mean_and_standard_error_of_correlated_samples(tmp_path, depthline) -> None:
    n, a = 40_000, 0.9
    folder = case(tmp_path, 0.27 + 0.01 * red(n, a, 1), 0.14 + 0.01 * red(n, a, 2))
    ended = depthline("forces", folder, "--json")
    assert ended.code == 0
    found = ended.json()
    # [computed] closed form of the AR(1) process; its error is known to some 10 %.
    for name, mean in (("cd", 0.27), ("cl", 0.14)):
        assert found[f"{name}_se"] == pytest.approx(0.01 / (1 - a) / math.sqrt(n), rel=0.25)
        assert abs(found[name] - mean) < 4 * found[f"{name}_se"]
    column = found["histories"][0]["columns"][0]
    # tau of an AR(1) process is (1 + a) / (1 - a) / 2, so n (1 - a) / (1 + a) samples are independent.
    assert column["effective_samples"] == pytest.approx(n * (1 - a) / (1 + a), rel=0.25)
    assert found["verdict"] == column["verdict"] == "settled"


def test_the_long_history_has_the_same_error_in_batches(tmp_path, depthline) -> None:
    n, a = 150_000, 0.98
    found = depthline("forces", case(tmp_path, 1 + red(n, a, 3), 1 + red(n, a, 4)), "--json").json()
    assert found["cd_se"] == pytest.approx(1 / (1 - a) / math.sqrt(n), rel=0.3)
    column = found["histories"][0]["columns"][0]
    assert column["effective_samples"] == pytest.approx(n * (1 - a) / (1 + a), rel=0.5)


@pytest.mark.parametrize(
    ("cd", "verdict"),
    [
        (lambda i: 0.27 + 0.1 * np.sin(2 * np.pi * i / 160), "oscillating"),
        (lambda i: 0.27 + 1e-4 * i, "drifting"),
        (lambda i: 0.27 + 0.5 * np.random.default_rng(0).normal(size=len(i)), "noisy"),
        (lambda i: np.where(i > 900, np.nan, 0.27), "diverged"),
        (lambda i: 0.27 + 0 * i[:30], "short"),
    ],
)
def test_verdicts(tmp_path, depthline, cd, verdict) -> None:
    values = cd(np.arange(1000.0))
    ended = depthline("forces", case(tmp_path, values, np.full(len(values), 0.1)), "--json")
    assert ended.code == 0
    found = ended.json()
    assert found["verdict"] == verdict
    if verdict == "oscillating":
        assert found["histories"][0]["columns"][0]["period"] == pytest.approx(160, rel=0.05)


def test_a_table_for_people_and_a_picture(tmp_path, depthline) -> None:
    folder = case(tmp_path, 0.27 + 0.001 * red(1000, 0.5, 5), 0.1 + 0.001 * red(1000, 0.5, 6))
    ended = depthline("forces", folder, "--plot", tmp_path / "out" / "forces.png")
    assert ended.code == 0
    assert "effective samples" in ended.out
    assert "coeffs: 1,000 rows, 1 to 1000: settled" in ended.out
    assert (tmp_path / "out/forces.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [(["--target", "5"], "--target: 5: is outside"), (["--plot", "x.pdf"], "--plot: x.pdf: is no PNG")],
)
def test_wrong_options(tmp_path, depthline, arguments, said) -> None:
    ended = depthline("forces", case(tmp_path, np.ones(100), np.ones(100)), *arguments)
    assert ended.code == 2
    assert said in ended.err
    assert ended.err.count("\n") == 1


def test_a_folder_without_forces(tmp_path, depthline) -> None:
    ended = depthline("forces", tmp_path)
    assert ended.code == 2
    assert "no force histories" in ended.err
