"""Moments that can be flown, and those that are not a turning ball's."""

import numpy as np
import pandas as pd
import pytest

from pipeline.aero.moment import PLAUSIBLE, moment_of_decay, moments_to_fly
from pipeline.aero.patterns import models_from_coefficients


def runs(pattern: str = "a", ratio: float = 1.0) -> pd.DataFrame:
    """Two depths, two Reynolds numbers, three spin ratios; the moment is `ratio` times the published one."""
    grid = np.meshgrid([0.15e-3, 0.25e-3], [8e4, 1.6e5], [0.0, 0.1, 0.2], indexing="ij")
    depth, reynolds, spin = (values.ravel() for values in grid)
    cm = ratio * np.array([moment_of_decay(s) for s in spin])
    return pd.DataFrame(
        {
            "pattern": pattern, "run": [f"runs/{pattern}/{n}" for n in range(depth.size)], "depth_m": depth,
            "reynolds": reynolds, "spin_ratio": spin, "cd": 0.25, "cd_se": 1e-3,
            "cl": 0.1 + spin, "cl_se": 1e-3, "cm": cm, "cm_se": 1e-5, "verdict": "settled",
        }
    )  # fmt: skip


def test_the_moment_of_the_published_decay():
    """340 rpm/s at 120 mph and 7097 rpm: Smits & Smith's spin loss as another text states it [quoted]."""
    speed, omega, radius, mass, density = 53.6448, 7097 * np.pi / 30, 0.021335, 0.04593, 1.2
    moment = moment_of_decay(omega * radius / speed)
    torque = 0.5 * density * speed**2 * np.pi * radius**2 * 2 * radius * moment
    rate_rpm_s = torque / (0.4 * mass * radius**2) * 30 / np.pi
    assert rate_rpm_s == pytest.approx(-340, rel=0.06)  # their constant itself gives 357


@pytest.mark.parametrize("ratio", [PLAUSIBLE[0] * 1.01, 1.0, 1.25, PLAUSIBLE[1] * 0.99])
def test_plausible_moments_are_flown(ratio):
    assert moments_to_fly(runs(ratio=ratio)) == (True, None)


@pytest.mark.parametrize("ratio", [-0.3, 0.0, 0.1, 3.0, 100.0])
def test_others_are_not_and_that_is_said(ratio):
    flown, note = moments_to_fly(runs(ratio=ratio))
    assert not flown and note is not None
    assert "in 8 of 8 runs" in note and "published rate for all its depths" in note
    assert ("speed the spin up" in note) == (ratio < 0)


def test_one_run_decides_for_all_depths():
    frame = runs()
    frame.loc[5, "cm"] = 0.0003
    flown, note = moments_to_fly(frame)
    assert not flown and "1 of 8 runs (runs/a/5: -0.15 times" in str(note)
    frame.loc[5, "cm"] = np.nan
    assert moments_to_fly(frame) == (
        False,
        "a: some runs have no moment; the spin decays at the published rate for all its depths.",
    )
    frame["cm"] = np.nan
    assert moments_to_fly(frame) == (False, None)


def test_the_model_flies_what_was_decided_and_notes_it():
    models, notes = models_from_coefficients(pd.concat([runs("a"), runs("b", 0.1)]))
    assert "cm" in models["a"].names and "cm" not in models["b"].names
    assert not models["b"].draws([0.2e-3], 3, 1).has_cm.any()
    assert models["a"].draws([0.2e-3], 50, 1).values[..., 2].max() <= 0.0
    assert sum("not that of a turning ball" in note for note in notes) == 1
    assert any(note.startswith("a: the spin decays by the computed moment") for note in notes)
