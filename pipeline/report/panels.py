"""Panels for coefficients of runs that lie anywhere: each run in the panel of the nearest condition."""

from dataclasses import replace

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.report.series import CoefficientChart

MOST_PANELS = 8
"""Conditions that have a panel each; with more, and most of them empty, runs are gathered into `GATHERED`."""

GATHERED = 4


def gathered(chart: CoefficientChart, against: str) -> CoefficientChart:
    """Chart whose runs stand in a few panels.

    Parameters
    ----------
    chart : CoefficientChart
        The coefficients, as on a grid.
    against : str
        "spin_ratio" (panels are Reynolds numbers) or "reynolds" (panels are spin ratios).

    Returns
    -------
    CoefficientChart
        The same for runs on a grid. Else with `GATHERED` Reynolds numbers or spin ratios, nodes of the
        model's tables, in place of the runs' own; of two runs at one depth and place in a panel the first
        is shown.
    """
    number = 1 if against == "spin_ratio" else 2
    own = chart.reynolds if number == 1 else chart.spin_ratio
    usable = np.isfinite(chart.values["cd"])
    if own.size <= MOST_PANELS or usable.sum() > 0.5 * usable.size or not chart.curves:
        return chart
    nodes = chart.curves[0].reynolds if number == 1 else chart.curves[0].spin_ratio
    panels = nodes[np.unique(np.linspace(0, nodes.size - 1, 2 * GATHERED + 1).round().astype(int)[1::2])]
    scale = np.log if number == 1 else np.asarray
    panel = np.abs(scale(own)[:, None] - scale(panels)).argmin(axis=1)

    def moved(values: FloatArray) -> FloatArray:
        shape = list(values.shape)
        shape[number] = panels.size
        found = np.full(shape, np.nan)
        for at, to in enumerate(panel):
            into = found[:, to] if number == 1 else found[:, :, to]
            run = values[:, at] if number == 1 else values[:, :, at]
            np.copyto(into, run, where=np.isnan(into))
        return found

    changes = {"reynolds" if number == 1 else "spin_ratio": panels}
    return replace(
        chart,
        **changes,
        values={name: moved(values) for name, values in chart.values.items()},
        errors={name: moved(values) for name, values in chart.errors.items()},
        added={name: moved(np.where(usable, values, np.nan)) for name, values in chart.added.items()},
    )
