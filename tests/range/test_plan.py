"""Designs of firings: the error that is stated is the one that simulated ranges show."""

import numpy as np
import pytest

from pipeline.flight.air import air_from
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.range.firings import read_firings
from pipeline.range.invented import Scatter, quoted_table, screens
from pipeline.range.plan import Candidate, plan, write_empty_firings
from pipeline.range.sheet import write_sheet

LAUNCH = Launches(70.0, np.radians(11.0), 2700 * np.pi / 30)
CONDITIONS = Conditions(0.04267, 0.04593, air_from(293.15, 101325.0, 0.5))
REFERENCE = Candidate("known", np.nan, quoted_table())
PROTOTYPE = Candidate("hex 0.20 mm", 2e-4, quoted_table())


def test_a_smaller_error_takes_more_balls_and_is_found(tmp_path):
    scatter = Scatter(ball_cd=0.003, ball_cl=0.003)
    coarse, fine = (
        plan(REFERENCE, [PROTOTYPE], screens(), scatter, LAUNCH, CONDITIONS, wanted, 1, checks=checks)
        for wanted, checks in ((5.0, 2), (3.0, 8))
    )
    assert coarse.balls < fine.balls and coarse.reached and fine.reached
    # Eight ranges tell a root mean square to a quarter; the stated error allows for few balls' scatter.
    assert 0.3 < fine.found_m["hex 0.20 mm"] / fine.se_m["hex 0.20 mm"] < 1.7
    blocks = {}
    for block, ball, kind, speed, spin in fine.order:
        blocks.setdefault(block, []).append((ball, kind, speed, spin))
    for rows in blocks.values():
        assert rows[0][1] == rows[-1][1] == "known" and len({row[2:] for row in rows}) == 1
        assert len({row[0] for row in rows}) == len(rows) == 2 * fine.balls
    write_empty_firings(tmp_path / "f.csv", coarse, screens(), {"known": np.nan, "hex 0.20 mm": 2e-4})
    with pytest.raises(Exception, match="temperature"):  # what has to be filled in is asked for
        read_firings([tmp_path / "f.csv"])
    page = write_sheet(tmp_path / "s.html", coarse, 4.0).read_text()
    assert "guarded range" in page and "hex 0.20 mm-1" in page
