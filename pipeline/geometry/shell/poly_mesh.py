"""Writing a shell as the flow solver's polyMesh, in its binary form.

Binary was chosen by measurement (benchmarks/bench_mesh.py): written and read several times faster than
text.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from pipeline.files.atomic import atomic_open
from pipeline.geometry.shell.mesh import Shell

Labels = NDArray[np.int32]

BALL_PATCH = "ball"
FAR_PATCH = "far"
MIRROR_PATCH = "mirror"
PATCH_TYPES = {BALL_PATCH: "wall", FAR_PATCH: "patch", MIRROR_PATCH: "symmetryPlane"}


@dataclass(frozen=True)
class Faces:
    """Faces of a mesh in the solver's order: internal ones in upper-triangular order, then the patches.

    Attributes
    ----------
    corners : ndarray of int, shape (f, 4)
        Node indices; the normal (right-hand rule) points out of the owner.
    owner : ndarray of int, shape (f,)
        Cell on the inner side of each face.
    neighbour : ndarray of int, shape (internal,)
        Cell on the other side of each internal face.
    patch_sizes : dict
        Faces of each patch, in their order.
    """

    corners: Labels
    owner: Labels
    neighbour: Labels
    patch_sizes: dict[str, int]


def shell_faces(shell: Shell) -> Faces:
    """Faces, owners and neighbours of a shell.

    Returns
    -------
    Faces
        Internal faces sorted by owner, then neighbour, as the solver demands; then the ball's faces, then
        the far boundary's, each quad by quad; the mirror plane's last.
    """
    quads, layers, stride = shell.quads, shell.layers, np.int32(shell.nodes_per_layer)
    count = len(quads)
    layer = np.arange(layers, dtype=np.int32)
    columns = np.arange(count, dtype=np.int32) * np.int32(layers)

    # A surface edge's two quads run along it in opposite directions; the edge as the lower-numbered quad sees
    # it gives a normal out of that quad. Edges of one quad alone lie on the mirror plane.
    start, end = quads.ravel(), np.roll(quads, -1, axis=1).ravel()
    key = np.minimum(start, end).astype(np.int64) * stride + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = key[order[1:]] == key[order[:-1]]
    shared = np.append(same, False) | np.insert(same, 0, False)
    first, second = order[shared][0::2], order[shared][1::2]
    sorted_edges = np.lexsort((second // 4, first // 4))
    first, second = first[sorted_edges], second[sorted_edges]

    # A column's internal faces, cell by cell: the one to the next layer, then those to higher columns.
    sides_of = np.bincount(first // 4, minlength=count)
    begin = np.concatenate([[0], np.cumsum(layers * (1 + sides_of) - 1)])
    slot = np.arange(len(first)) - (np.cumsum(sides_of) - sides_of)[first // 4]
    size = len(quads) * 2 + (len(order) - 2 * len(first)) * layers
    corners = np.empty((begin[-1] + size, 4), dtype=np.int32)
    owner = np.empty(len(corners), dtype=np.int32)
    neighbour = np.empty(begin[-1], dtype=np.int32)

    def place(column: NDArray, which: NDArray) -> NDArray:
        at = begin[column][:, None] + layer * (1 + sides_of[column])[:, None] + which[:, None]
        return at - (layer == layers - 1)  # the outermost cell has no face to a next layer

    def sides(edges: NDArray) -> NDArray:
        e0 = start[edges][:, None] + layer * stride
        e1 = end[edges][:, None] + layer * stride
        return np.stack([e0, e1, e1 + stride, e0 + stride], axis=-1)

    stacked = place(np.arange(count), np.zeros(count, dtype=np.int64))[:, :-1]
    corners[stacked] = quads[:, None, :] + layer[1:, None] * stride
    owner[stacked] = columns[:, None] + layer[:-1]
    neighbour[stacked] = columns[:, None] + layer[1:]
    between = place(first // 4, 1 + slot)
    corners[between] = sides(first)
    owner[between] = columns[first // 4][:, None] + layer
    neighbour[between] = columns[second // 4][:, None] + layer

    plane = np.sort(order[~shared])
    ball, far = begin[-1] + np.arange(count), begin[-1] + count + np.arange(count)
    corners[ball], owner[ball] = quads[:, ::-1], columns
    corners[far], owner[far] = quads + layers * stride, columns + np.int32(layers - 1)
    corners[begin[-1] + 2 * count :] = sides(plane).reshape(-1, 4)
    owner[begin[-1] + 2 * count :] = (columns[plane // 4][:, None] + layer).ravel()
    return Faces(
        corners=corners,
        owner=owner,
        neighbour=neighbour,
        patch_sizes={BALL_PATCH: count, FAR_PATCH: count}
        | ({MIRROR_PATCH: plane.size * layers} if plane.size else {}),
    )


def write_poly_mesh(folder: Path, shell: Shell, faces: Faces) -> None:
    """Write points, faces, owner, neighbour and boundary into `folder` (a polyMesh folder).

    Parameters
    ----------
    folder : Path
        Made when missing; each file is written under a temporary name and renamed, `boundary` last, so
        that a folder with a `boundary` is complete.
    shell : Shell
        The mesh.
    faces : Faces
        `shell_faces(shell)`.
    """
    internal = len(faces.neighbour)
    note = (
        f"nPoints:{len(shell.points)} nCells:{shell.cells} "
        f"nFaces:{len(faces.owner)} nInternalFaces:{internal}"
    )
    with atomic_open(folder / "points") as stream:
        _header(stream, "vectorField", "points")
        _binary_list(stream, shell.points, len(shell.points))
    with atomic_open(folder / "faces") as stream:
        _header(stream, "faceCompactList", "faces")
        offsets = np.arange(len(faces.corners) + 1, dtype=np.int32) * 4
        _binary_list(stream, offsets, len(offsets))
        _binary_list(stream, faces.corners, faces.corners.size)
    for name, labels in (("owner", faces.owner), ("neighbour", faces.neighbour)):
        with atomic_open(folder / name) as stream:
            _header(stream, "labelList", name, note)
            _binary_list(stream, labels, len(labels))
    with atomic_open(folder / "boundary") as stream:
        _header(stream, "polyBoundaryMesh", "boundary", text=True)
        start, entries = internal, ""
        for name, size in faces.patch_sizes.items():
            entries += f"    {name} {{ type {PATCH_TYPES[name]}; nFaces {size}; startFace {start}; }}\n"
            start += size
        stream.write(f"{len(faces.patch_sizes)}\n(\n{entries})\n".encode())


def _header(stream: BinaryIO, kind: str, name: str, note: str = "", text: bool = False) -> None:
    form = "ascii" if text else "binary"
    arch = "" if text else '    arch "LSB;label=32;scalar=64";\n'
    remark = f'    note "{note}";\n' if note else ""
    stream.write(
        f"FoamFile\n{{\n    version 2.0;\n    format {form};\n{arch}    class {kind};\n{remark}"
        f'    location "constant/polyMesh";\n    object {name};\n}}\n'.encode()
    )


def _binary_list(stream: BinaryIO, values: NDArray, length: int) -> None:
    stream.write(f"{length}\n(".encode())
    stream.write(np.ascontiguousarray(values).data)
    stream.write(b")\n")
