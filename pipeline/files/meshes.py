"""Surface meshes as files for other programs: STL, PLY and legacy VTK, all binary, by meshio."""

import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.files.atomic import atomic_open

_FORMATS = {".stl": "stl", ".ply": "ply", ".vtk": "vtk42"}

_CELLS = {3: "triangle", 4: "quad"}


def write_surface_mesh(
    path: Path,
    points: NDArray[np.floating],
    cells: NDArray[np.integer],
    fields: Mapping[str, NDArray[np.floating]] | None = None,
) -> None:
    """Write triangles or quadrilaterals, atomically.

    Parameters
    ----------
    path : Path
        File to write, .stl (triangles only, in single precision), .ply or .vtk; its folder is made when
        missing.
    points : ndarray, shape (p, 3)
        Corners, in the unit that the file is to have.
    cells : ndarray of int, shape (c, 3) or (c, 4)
        Indices of corners, counter-clockwise seen from outside.
    fields : mapping, optional
        Values of each cell by name, shape (c,) or (c, 3); VTK only.
    """
    import meshio

    form = _FORMATS[Path(path).suffix]
    # PLY has no 64-bit integers.
    blocks = [(_CELLS[cells.shape[1]], cells.astype(np.int32))]
    data = {name: [values] for name, values in (fields or {}).items()}
    mesh = meshio.Mesh(points, blocks, cell_data=data)
    with atomic_open(path) as stream:
        try:
            meshio.write(stream, mesh, form, binary=True)
        except OSError as error:
            if error.errno is None:
                # numpy does not say why it could not write on (a full disk, a limit); the system does, when
                # asked for one byte more.
                os.write(stream.fileno(), b"\0")
            raise
