"""The Smits & Smith fit against figures quoted from it."""

import doctest

import numpy as np
import pytest

from pipeline.aero import published
from pipeline.aero.published import SMITS_SMITH_SPIN_DECAY, smits_smith_1994, smits_smith_table


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
