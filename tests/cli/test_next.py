"""`depthline next` on invented coefficients with a planted optimum beyond, or between, the depths studied."""

import re

import pytest
from small_study import SMALL

from pipeline.aero.collect import COLUMNS, write_coefficients
from pipeline.aero.published import smits_smith_1994
from pipeline.study.file import load_study

STUDY = "# yaml-language-server: $schema=x.json\n" + SMALL.replace(
    "depths: [0.15 mm, 0.20 mm]", "depths: [0.15 mm, 0.20 mm, 0.25 mm, 0.30 mm]"
)
MOVING = STUDY.replace("fidelity: steady-rans", "fidelity: transient-rans")
"""Flown as it is computed, without what moving dimples add: an optimum stays where it is planted."""


def invented(best_m, se=0.001):
    import pandas as pd

    rows = []
    for depth in (0.15e-3, 0.20e-3, 0.25e-3, 0.30e-3):
        for reynolds in (9e4, 1.8e5):
            for s in (0.1, 0.2):
                fit = smits_smith_1994(reynolds, s)  # [memory]
                rows.append(
                    dict.fromkeys(COLUMNS, 0.0)
                    | {"pattern": "ico32", "depth_m": depth, "reynolds": reynolds, "spin_ratio": s}
                    | {"cd": float(fit.cd) + 5e6 * (depth - best_m) ** 2, "cd_se": se, "cl": float(fit.cl)}
                    | {"cl_se": 2 * se, "cm": -0.001, "cm_se": 1e-5, "verdict": "settled", "solver": "none"}
                    | {"fidelity": "steady-rans", "run": f"runs/ico32/{depth}/{reynolds}/{s}"}
                )
    return pd.DataFrame(rows)[list(COLUMNS)]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "study.yaml").write_text(STUDY)
    return tmp_path


def test_an_optimum_beyond_the_end_asks_for_a_depth_there(depthline, folder):
    write_coefficients(invented(0.33e-3), folder / "results" / "small" / "coefficients.csv")
    ended = depthline(
        "next", folder / "study.yaml", "--results", folder / "results", "--count", "1", "--json"
    )
    assert ended.code == 0
    found = ended.json()
    first = found["depths"][0]
    assert first["depth_m"] == pytest.approx(0.325e-3) and first["chosen"] and first["gain_m"] > 0
    assert [offer["chosen"] for offer in found["depths"]].count(True) == 1
    # 4 runs of the coarse mesh, each some minutes: an hour or less.
    assert 0 < first["core_hours"] < 2
    added = load_study(folder / "study-next.yaml")
    assert added.name == "small"
    assert added.patterns[0].depths_m == pytest.approx([0.15e-3, 0.20e-3, 0.25e-3, 0.30e-3, 0.325e-3])
    assert "study-next.yaml" in ended.err
    # The user's file, comments and all, with the depth.
    written = (folder / "study-next.yaml").read_text()
    assert written == STUDY.replace("0.30 mm]", "0.30 mm, 0.325 mm]")


def test_a_clear_optimum_needs_no_more_runs(depthline, folder):
    (folder / "study.yaml").write_text(MOVING)
    write_coefficients(invented(0.22e-3, se=1e-5), folder / "results" / "small" / "coefficients.csv")
    ended = depthline("next", folder / "study.yaml", "--results", folder / "results", "--units", "SI")
    assert ended.code == 0 and "0.225" in ended.out
    assert re.search(r"expected gain,\s", ended.out) and "yd" not in ended.out + ended.err
    assert re.search(r"gain [\d.]+ m of carry", ended.err)
    assert "nothing was written" in ended.err and not (folder / "study-next.yaml").exists()


def test_without_results_one_line(depthline, folder):
    ended = depthline("next", folder / "study.yaml", "--results", folder / "results")
    assert ended.code == 2 and ended.out == ""
    assert len(ended.err.strip().splitlines()) == 1 and "coefficients.csv: there is none yet" in ended.err


def test_without_usable_runs_one_line(depthline, folder):
    frame = invented(0.22e-3).assign(verdict="diverged")
    write_coefficients(frame, folder / "results" / "small" / "coefficients.csv")
    ended = depthline("next", folder / "study.yaml", "--results", folder / "results")
    assert ended.code == 2 and "no pattern has two depths with usable runs" in ended.err
