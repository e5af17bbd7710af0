"""Ways to cut a row of orbits into classes, against enumeration by the standard library."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.geometry.layout.class_cuts import nearest_cuts, nth_cuts
from pipeline.geometry.layout.class_layout import pack_layout
from pipeline.geometry.layout.layout import spread_layout

D = 42.7e-3


@pytest.mark.parametrize(("orbits", "cuts"), [(1, 0), (2, 1), (7, 2), (8, 7), (9, 4), (12, 3)])
def test_cuts_by_their_place_are_those_of_an_enumeration(orbits, cuts):
    every = list(itertools.combinations(range(1, orbits), cuts))
    assert [nth_cuts(orbits, cuts, place) for place in range(len(every))] == every


def test_more_ways_than_memory_can_hold_are_no_matter():
    ways = math.comb(82, 11)  # 2e12
    assert nth_cuts(83, 11, 0) == tuple(range(1, 12))
    assert nth_cuts(83, 11, ways - 1) == tuple(range(72, 83))


@given(st.lists(st.integers(1, 60), min_size=2, max_size=9), st.integers(1, 4), st.integers(0, 1000))
def test_nearest_cuts_are_the_best_of_all(sizes, cuts, seed):
    cuts = min(cuts, len(sizes) - 1)
    reached = np.cumsum(sizes) / np.sum(sizes)
    wanted = np.sort(np.random.default_rng(seed).uniform(size=cuts))
    before = np.concatenate([[0.0], reached])

    def misfit(cut):
        return float(np.sum((before[list(cut)] - wanted) ** 2))

    found = nearest_cuts(reached, wanted)
    best = min(misfit(cut) for cut in itertools.combinations(range(1, len(sizes)), cuts))
    assert (
        len(found) == cuts and list(found) == sorted(set(found)) and 1 <= found[0] <= found[-1] < len(sizes)
    )
    assert misfit(found) == pytest.approx(best, abs=1e-12)


def test_more_free_dimples_than_the_optimiser_moves_are_refused():
    for make in (
        lambda: spread_layout("none", 1001, 1e-3, 0, D, 1),
        lambda: pack_layout("none", 5000, 12, None, 0, D, 1),
    ):
        with pytest.raises(
            InputError, match=r"layout.count: none symmetry leaves \d+ dimples .*at most 1000 can"
        ):
            make()
