"""`depthline forces` on cases that were not written here."""

import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from tunnel import Tunnel

import pipeline.flow.solver.execute
from pipeline.flow.campaign.run import run
from pipeline.geometry.shell.mesh import Level

STUB = Path(__file__).parents[1] / "stub_solver"


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


@pytest.fixture
def run_folder(tmp_path, monkeypatch):
    """A finished run of a study, by the stub, with its case kept, and its run.json."""
    monkeypatch.setattr(pipeline.flow.solver.execute, "POLL_SECONDS", 0.02)
    monkeypatch.setenv("PATH", str(STUB), prepend=":")
    monkeypatch.setenv("WM_PROJECT_DIR", str(STUB))
    tunnel = Tunnel(tmp_path, "laminar", Level(8, 16), 100.0)
    # Targets which only this run has: 0.5 % of Cd, the command's own, would not be met.
    run_id = tunnel.prepare("smooth", 100.0, 0.1, standard_error={"cd": 0.01, "cl": 0.01})
    result = run(tmp_path, run_id, keep="all").content()
    # How many rows the solver adds until it notices that it may stop hangs on the clock; it may be none.
    assert result["verdict"] == "settled" and result["judged_samples"] <= result["iterations"]
    return tmp_path / run_id, result


@pytest.mark.parametrize("below", ["", "case", "case/postProcessing", "case/postProcessing/forces"])
def test_a_run_of_a_study_has_the_means_and_the_verdict_of_its_study(depthline, run_folder, below) -> None:
    folder, result = run_folder
    found = depthline("forces", folder / below, "--json").json()
    assert found["standard_error_target"] == {"cd": 0.01, "cl": 0.01}
    assert found["verdict"] == result["verdict"]
    for name in ("cd", "cd_se", "cl", "cl_se", "cm", "cm_se"):
        # history.csv has eight digits
        assert found[name] == pytest.approx(result[name], rel=1e-4, abs=1e-7)
    for history in found["histories"]:
        assert (history["rows"], history["rows_judged"]) == (result["iterations"], result["judged_samples"])
        assert {row["name"]: row["verdict"] for row in history["columns"]} == {
            "cd": "settled", "cl": "settled", "cm": "no target", "cs": "no target",
        }  # fmt: skip
    words = depthline("forces", folder / below).out
    assert "judged as its study does: target standard errors Cd 0.01, Cl 0.01" in words


def test_a_target_that_is_asked_for_is_used_on_a_run_too(depthline, run_folder) -> None:
    folder, _ = run_folder
    found = depthline("forces", folder, "--target", "1e-9", "--json").json()
    assert found["standard_error_target"] is None
    assert found["verdict"] != "settled"


def test_a_result_that_does_not_say_what_it_averaged(depthline, run_folder) -> None:
    folder, result = run_folder
    older = {name: value for name, value in result.items() if name != "judged_samples"}
    (folder / "run.json").write_text(json.dumps(older))
    ended = depthline("forces", folder, "--json")
    assert "does not say how many samples it averaged" in ended.err
    assert ended.json()["histories"][0]["rows_judged"] == result["iterations"]


def test_implausible_means_are_said(depthline, run_folder) -> None:
    folder, _ = run_folder
    (folder / "run.json").unlink()
    (folder / "history.csv").write_text(
        "iteration,cd,cl,cs,cm\n" + "".join(f"{i},-25,46,0,0\n" for i in range(1, 200))
    )
    shutil.rmtree(folder / "case")
    ended = depthline("forces", folder, "--json")
    assert ended.json()["verdict"] == "implausible"
    assert "Cd -25 is outside" in ended.err
