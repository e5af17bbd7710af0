"""Writes and reads a shell: polyMesh for the solver, shell.npz for us, and its quality."""

from itertools import pairwise
from pathlib import Path

import numpy as np

from pipeline.errors import MADE_AGAIN, Broken, InputError
from pipeline.files.arrays import read_archive
from pipeline.files.atomic import atomic_open, write_json
from pipeline.geometry.shell.mesh import Shell
from pipeline.geometry.shell.poly_mesh import shell_faces, write_poly_mesh
from pipeline.records.tree import MESH, QUALITY, SHELL

MAX_NON_ORTHOGONALITY_DEG = 70.0
MAX_SKEWNESS = 4.0
"""Limits of the solver's own mesh check; a mesh beyond them is refused before it costs a run."""


def write_shell(folder: Path, shell: Shell) -> None:
    """Write a shell and its quality.

    Raises
    ------
    InputError
        If the solver could not work on it; nothing is written then.
    """
    from pipeline.geometry.shell.quality import (
        mesh_quality,  # compiled: the commands that only look do not wait
    )

    faces = shell_faces(shell)
    quality = mesh_quality(shell, faces)
    angle, skewness, smallest = (quality.max_non_orthogonality_deg, quality.max_skewness, quality.min_volume)
    if smallest <= 0 or angle > MAX_NON_ORTHOGONALITY_DEG or skewness > MAX_SKEWNESS:
        raise InputError(
            f"{folder}: the shell mesh is not fit for the solver (non-orthogonality {angle:.0f} deg, "
            f"skewness {skewness:.1f}, smallest cell {smallest:.2g}); use a finer level or shallower dimples"
        )
    write_poly_mesh(folder / MESH, shell, faces)
    with atomic_open(folder / SHELL) as stream:
        np.savez(
            stream, points=shell.points, quads=shell.quads, layers=shell.layers, mirrored=shell.mirrored,
            coarsen_at=np.array(shell.coarsen_at, dtype=np.int64),
        )  # fmt: skip
    write_json(folder / QUALITY, quality.changed(edges_fitted=shell.edges_fitted).content())


def load_shell(folder: Path) -> Shell:
    """Read the shell of a variant's folder.

    Raises
    ------
    InputError
        If it is missing.
    Broken
        If it is not what `write_shell` wrote.
    """
    path = folder / SHELL
    arrays = read_archive(path)
    lacking = {"points", "quads", "layers", "mirrored"} - arrays.keys()
    if lacking:
        raise Broken(path, f"lacks {min(lacking)}", MADE_AGAIN)
    coarsen_at = arrays.get("coarsen_at", np.empty(0, dtype=int))  # earlier versions did not coarsen
    points, quads, layers = arrays["points"], arrays["quads"], arrays["layers"]
    whole = points.ndim == 2 and quads.ndim == 2 and layers.ndim == 0 and arrays["mirrored"].ndim == 0
    if whole and coarsen_at.ndim == 1 and np.isfinite(points).all():
        at = tuple(int(layer) for layer in coarsen_at)
        shell = Shell(points, quads, int(layers), bool(arrays["mirrored"]), coarsen_at=at)
        if _complete(shell):
            return shell
    raise Broken(path, "its arrays are not those of a shell", MADE_AGAIN)


def _complete(shell: Shell) -> bool:
    """Whether a shell has as many points as its blocks have nodes."""
    ends = (0, *shell.coarsen_at, shell.layers)
    if any(begin >= end for begin, end in pairwise(ends)) or shell.quads.size == 0:
        return False
    try:
        last = shell.blocks[-1]
    except ValueError:  # cells that cannot be paired
        return False
    return int(last.nodes.max()) + 1 == len(shell.points)
