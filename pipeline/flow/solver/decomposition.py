"""Which MPI rank computes which cell: whole columns of the shell, side by side on the ball."""

import numpy as np

from pipeline.arrays import IntArray
from pipeline.errors import InputError
from pipeline.geometry.shell.mesh import Shell


def cell_ranks(shell: Shell, ranks: int) -> IntArray:
    """Rank of each cell.

    The columns from the ball to the outer boundary stay whole, since the equations are stiffest along them;
    where the shell coarsens, with all the columns that the outermost one stands on. They are halved where the
    part of the ball that they stand on is longest (recursive coordinate bisection, Berger & Bokhari 1987,
    IEEE Trans. Comput. C-36:570-580), which keeps the faces between ranks few.

    Parameters
    ----------
    shell : Shell
        Solver mesh; cells are numbered along its columns, block by block.
    ranks : int
        Number of ranks, 1 or more.

    Returns
    -------
    ndarray of int, shape (cells,)
        From 0 to ranks - 1; no two ranks differ by more than a column for each of their halvings.

    Raises
    ------
    InputError
        If there are more ranks than columns.
    """
    outermost = shell.blocks[-1]
    on_ball = shell.points[shell.quads].mean(axis=1)
    under = np.bincount(outermost.column)
    centres = np.column_stack([np.bincount(outermost.column, part) / under for part in on_ball.T])
    if ranks > len(centres):
        raise InputError(
            f"flow.ranks: {ranks}: the mesh has {len(centres)} columns of cells; use fewer ranks"
        )
    found = np.empty(len(centres), dtype=np.int64)
    parts = [(np.arange(len(centres)), 0, ranks)]
    while parts:
        columns, first, count = parts.pop()
        if count == 1:
            found[columns] = first
            continue
        place = centres[columns]
        axis = int(np.argmax(np.ptp(place, axis=0)))
        columns = columns[np.argsort(place[:, axis], kind="stable")]
        lower = count // 2
        cut = len(columns) * lower // count
        parts += [(columns[:cut], first, lower), (columns[cut:], first + lower, count - lower)]
    ranks_of_cells = np.empty(shell.cells, dtype=np.int64)
    for block in shell.blocks:
        of_column = np.empty(len(block.quads), dtype=np.int64)
        of_column[block.column] = found[outermost.column]
        last = block.first_cell + len(block.quads) * block.layers
        ranks_of_cells[block.first_cell : last] = np.repeat(of_column, block.layers)
    return ranks_of_cells
