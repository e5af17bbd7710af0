"""A tripped flow started from rest by the real solver: the dissipation rate stays bounded."""

import re
from pathlib import Path

import numpy as np
import pytest
from tunnel import Tunnel

from pipeline.flow.campaign.run import run
from pipeline.geometry.shell.mesh import Level
from pipeline.records.tree import CASE

pytestmark = pytest.mark.solver

BETA_1 = 0.075
"""Of k-omega SST (Menter, Kuntz & Langtry 2003 [memory])."""


def test_the_dissipation_rate_stays_below_that_of_the_wall(tmp_path: Path) -> None:
    # Beside a zone without turbulence omega undershot, and its cross-diffusion term, which divides by it,
    # made it 1e28 then; turbulence vanished behind the trip, and with it the trip's effect on drag.
    reynolds = 9e4
    tunnel = Tunnel(tmp_path, "steady-rans", Level(20, 40), reynolds)
    tunnel.add("half", lambda u: np.full(len(u), 0.5), mirrored=True)
    options = {
        "boundary_layer": "tripped", "trip_angle_rad": np.radians(60.0), "iterations": 50,
        "standard_error": {"cd": -1.0, "cl": -1.0},
    }  # fmt: skip
    run_id = tunnel.prepare("half", reynolds, 0.1, **options)
    run(tmp_path, run_id, keep="all")
    log = (tmp_path / run_id / CASE / "solver.log").read_text()
    largest = [float(found) for found in re.findall(r"bounding omega, min: \S+ max: (\S+)", log)]
    # Wilcox's value in the first cell, 6 nu / (beta_1 y^2), is the largest there is.
    first_cell = tunnel.model.first_cell(reynolds)
    at_wall = 6.0 / (reynolds * BETA_1 * (0.5 * first_cell) ** 2)
    assert largest and max(largest) < 1.5 * at_wall
