"""The Smits & Smith fit against figures quoted from it."""

import doctest

import numpy as np
import pytest

from pipeline.aero import published
from pipeline.aero.published import (
    SMITS_SMITH_SPIN_DECAY,
    published_tables,
    smits_smith_1994,
    smits_smith_table,
)


def test_examples_in_the_documentation_run():
    assert doctest.testmod(published).failed == 0


def test_fit_at_its_reference_reynolds_number():
    # Smits & Smith 1994 [memory]: the sine vanishes at Re 9e4 and is 1 at 1.9e5.
    assert smits_smith_1994(9e4, 0.1).cd == pytest.approx(0.24 + 0.018)
    assert smits_smith_1994(1.9e5, 0.1).cd == pytest.approx(0.24 + 0.018 + 0.06)
    assert smits_smith_1994(1e5, 1.0).cl == pytest.approx(0.54)


def test_spin_loss_agrees_with_the_rate_quoted_elsewhere():
    # 340 rpm/s at 120 mph and 7097 rpm [quoted]; a ball of 42.67 mm.
    loss = SMITS_SMITH_SPIN_DECAY * 7097 * (120 * 0.44704) / (0.5 * 0.04267)
    assert loss == pytest.approx(340, rel=0.06)


def test_table_holds_the_fit_at_its_nodes():
    table = smits_smith_table([9e4, 1.9e5], [0.08, 0.1, 0.2])
    assert table.cd[1, 1] == pytest.approx(0.318) and table.cl[0, 2] == pytest.approx(0.54 * 0.2**0.4)
    assert np.array_equal(table.at(9e4, 0.1).cl, table.cl[0, 1])


def test_tables_to_fly_golfers_with_hold_what_is_published():
    """Both sources where they are stated; lift that rises with the spin and vanishes without it."""
    tables = published_tables()
    found = tables["Smits & Smith 1994"].at([9e4, 1.9e5], [0.1, 0.1])
    assert found.cd == pytest.approx([0.258, 0.318], abs=2e-4)  # the formula by hand [memory]
    hexagons = tables["Bearman & Harvey 1976"]
    for speed_m_s, spin_rpm, cd, cl in ((55.2, 3000.0, 0.2578, 0.1856), (71.9, 4000.0, 0.2630, 0.1807)):
        at = hexagons.at(speed_m_s * 0.041 / 1.5e-5, spin_rpm * np.pi / 30.0 * 0.041 / (2.0 * speed_m_s))
        # bilinear in other variables than the source's: within 1 % of its points
        assert at.cd == pytest.approx(cd, rel=0.01) and at.cl == pytest.approx(cl, rel=0.01)
    for table in tables.values():
        assert (np.diff(table.cl, axis=1) >= -1e-12).all() and (table.cd > 0.2).all()
        assert table.at(1e5, 0.0).cl == 0.0
