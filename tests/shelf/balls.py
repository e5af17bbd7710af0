"""Balls of a shelf for tests: invented, by a published fit with an effect of depth."""

import numpy as np

from pipeline.aero.table import CoefficientTable
from pipeline.range.invented import quoted_ball
from pipeline.shelf.ball import ShelfBall, level_modes

REYNOLDS, SPIN_RATIO = np.geomspace(7e4, 2.1e5, 6), np.linspace(0.04, 0.36, 7)


def table(cd=1.0, cl=1.0, cd_se=0.003, cl_se=0.005):
    drag, lift = quoted_ball(*np.meshgrid(REYNOLDS, SPIN_RATIO, indexing="ij"), np.nan)
    shape = drag.shape
    return CoefficientTable(
        REYNOLDS, SPIN_RATIO, cd * drag, cl * lift, cd_se=np.full(shape, cd_se), cl_se=np.full(shape, cl_se)
    )


def ball(name, cd=1.0, cl=1.0, kind="measured", **facts):
    of = table(cd, cl)
    given = {"place": "an invented range"} | facts
    return ShelfBall(name, kind, of, np.ones(of.cd.shape, bool), level_modes(of), **given)
