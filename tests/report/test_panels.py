"""Panels for runs that lie anywhere."""

import numpy as np

from pipeline.report.panels import GATHERED, gathered
from pipeline.report.series import CoefficientChart, ModelCurve


def chart(n: int, filled: bool) -> CoefficientChart:
    """n runs, at one depth each its own Re and S, or on a grid of them; values are the runs' numbers."""
    reynolds, spin = np.geomspace(6e4, 2e5, n), np.linspace(0.06, 0.3, n)
    values = np.full((1, n, n), np.nan)
    if filled:
        values[0] = np.arange(n * n).reshape(n, n)
    else:
        values[0, np.arange(n), np.arange(n)] = np.arange(n)
    nodes = np.geomspace(6e4, 2e5, 33), np.linspace(0.06, 0.3, 17)
    shape = (33, 17)
    arrays = {name: np.zeros(shape) for name in ("cd", "cl", "cm")}
    curve = ModelCurve(2e-4, *nodes, arrays, arrays, np.ones(shape))
    names = ("cd", "cl", "cm")
    return CoefficientChart(
        "a", np.array([2e-4]), reynolds, spin, dict.fromkeys(names, values), dict.fromkeys(names, values),
        np.full(values.shape, "settled", dtype=object), [curve],
    )  # fmt: skip


def test_runs_on_a_grid_keep_their_panels() -> None:
    for of in (chart(4, True), chart(12, True), chart(4, False)):
        assert gathered(of, "spin_ratio") is of


def test_every_scattered_run_stands_in_the_panel_nearest_to_it() -> None:
    of = chart(20, False)
    over_spin = gathered(of, "spin_ratio")
    assert over_spin.reynolds.size == GATHERED
    assert set(over_spin.reynolds) <= set(of.curves[0].reynolds)
    for run in range(20):
        panel = int(np.abs(np.log(over_spin.reynolds / of.reynolds[run])).argmin())
        assert over_spin.values["cd"][0, panel, run] == run
    assert np.isfinite(over_spin.values["cd"]).sum() == 20
    over_reynolds = gathered(of, "reynolds")
    assert over_reynolds.spin_ratio.size == GATHERED
    assert np.isfinite(over_reynolds.values["cd"]).sum() == 20
