"""Decomposition: whole columns, ranks of one size, few faces between them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.flow.solver.decomposition import cell_ranks
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, Shell, build_shell

LAYERS = 8


def sphere(n: int, mirrored: bool) -> Shell:
    return build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(n, LAYERS), 0.5, mirrored)


def edges_cut(shell: Shell, ranks: np.ndarray) -> int:
    """Edges of the ball's quadrilaterals that lie between two ranks."""
    ends = np.sort(np.stack([shell.quads, np.roll(shell.quads, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
    owner = np.repeat(ranks.reshape(-1, LAYERS)[:, 0], 4)
    order = np.lexsort(ends.T)
    ends, owner = ends[order], owner[order]
    same = (ends[1:] == ends[:-1]).all(axis=1)
    return int((same & (owner[1:] != owner[:-1])).sum())


@settings(deadline=None)
@given(n=st.sampled_from((2, 4, 6, 8)), mirrored=st.booleans(), count=st.integers(1, 24))
def test_columns_stay_whole_and_ranks_have_one_size(n: int, mirrored: bool, count: int) -> None:
    shell = sphere(n, mirrored)
    if count > len(shell.quads):
        with pytest.raises(InputError, match="columns of cells"):
            cell_ranks(shell, count)
        return
    columns = cell_ranks(shell, count).reshape(-1, LAYERS)
    assert (columns == columns[:, :1]).all()
    sizes = np.bincount(columns[:, 0], minlength=count)
    assert len(sizes) == count
    assert np.abs(sizes - len(columns) / count).max() <= 1.0 + np.log2(count)


@pytest.mark.parametrize("n", [8, 16, 20])
def test_two_ranks_meet_along_a_great_circle_and_four_along_two(n: int) -> None:
    # A great circle through the middles of four faces of the cube crosses 4 n cells, half a ball's 2 n.
    for mirrored, circle in ((False, 4 * n), (True, 2 * n)):
        shell = sphere(n, mirrored)
        assert edges_cut(shell, cell_ranks(shell, 2)) == circle
        assert edges_cut(shell, cell_ranks(shell, 4)) == 2 * circle


def test_fewer_edges_are_cut_than_by_columns_in_the_order_of_their_numbers() -> None:
    shell = sphere(20, mirrored=True)
    for count in (2, 4, 8, 16, 32):
        cells = np.arange(shell.cells) * count // shell.cells
        assert edges_cut(shell, cell_ranks(shell, count)) < 0.75 * edges_cut(shell, cells)


def test_columns_over_one_outer_cell_stay_together_where_the_shell_coarsens() -> None:
    level = Level(16, 24, wall_layers=6, coarsen_at=(10, 16))
    shell = build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), level, 1e-3, mirrored=True)
    for count in (2, 3, 8):
        ranks = cell_ranks(shell, count)
        over = np.stack([ranks[shell.cells_over(layer)] for layer in range(shell.layers)])
        assert (over == over[0]).all()
        sizes = np.bincount(ranks, minlength=count)
        assert sizes.max() - sizes.min() <= (1 + np.log2(count)) * shell.cells / len(shell.blocks[-1].quads)
