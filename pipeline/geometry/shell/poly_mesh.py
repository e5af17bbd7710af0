"""Writing a shell as the flow solver's polyMesh, in its binary form.

Binary was chosen by measurement (benchmarks/bench_mesh.py): written and read several times faster than
text.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from pipeline.arrays import FloatArray, IntArray
from pipeline.files.atomic import atomic_open
from pipeline.geometry.shell.mesh import Block, Labels, Shell

NONE = -1
"""Stands for a corner that a face does not have."""

BALL_PATCH = "ball"
FAR_PATCH = "far"
MIRROR_PATCH = "mirror"
PATCH_TYPES = {BALL_PATCH: "wall", FAR_PATCH: "patch", MIRROR_PATCH: "symmetryPlane"}


@dataclass(frozen=True)
class Faces:
    """Faces of a mesh in the solver's order: internal ones in upper-triangular order, then the patches.

    Attributes
    ----------
    corners : ndarray of int, shape (f, 4), or (f, 5) of a mesh that coarsens
        Node indices; the normal (right-hand rule) points out of the owner. `NONE` for the fifth of a face
        that has four: only sides of the cells just outside a coarsening have the node in the middle of their
        inner edge too.
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
    blocks = shell.blocks
    above = [*blocks[1:], None]
    parts = [_block_faces(block, outer, len(blocks) > 1) for block, outer in zip(blocks, above, strict=True)]
    ball, far = blocks[0], blocks[-1]
    top = far.first_cell + (np.arange(len(far.quads), dtype=np.int32) + 1) * np.int32(far.layers) - 1
    corners = [part.corners for part in parts]
    corners += [_wide(face, len(blocks) > 1) for face in (ball.quads[:, ::-1], far.nodes[-1][far.quads])]
    corners += [part.plane for part in parts]
    owner = [part.owner for part in parts] + [shell.cells_over(0), top] + [part.plane_owner for part in parts]
    plane = sum(len(part.plane) for part in parts)
    return Faces(
        corners=np.concatenate(corners),
        owner=np.concatenate(owner).astype(np.int32),
        neighbour=np.concatenate([part.neighbour for part in parts]),
        patch_sizes={BALL_PATCH: len(ball.quads), FAR_PATCH: len(far.quads)}
        | ({MIRROR_PATCH: plane} if plane else {}),
    )


@dataclass(frozen=True)
class _BlockFaces:
    """Internal faces that cells of a block own, in the solver's order, and its faces on the mirror plane."""

    corners: Labels
    owner: Labels
    neighbour: Labels
    plane: Labels
    plane_owner: Labels


def _wide(corners: Labels, wide: bool) -> Labels:
    """Quadrilaterals with room for a fifth corner where other faces of the mesh have one."""
    return np.pad(corners, ((0, 0), (0, 1)), constant_values=NONE) if wide else corners


def _block_faces(block: Block, outer: Block | None, wide: bool) -> _BlockFaces:
    quads, layers, nodes = block.quads, block.layers, block.nodes
    count = len(quads)
    layer = np.arange(layers, dtype=np.int32)
    columns = np.int32(block.first_cell) + np.arange(count, dtype=np.int32) * np.int32(layers)

    # A surface edge's two quads run along it in opposite directions; the edge as the lower-numbered quad sees
    # it gives a normal out of that quad. Edges of one quad alone lie on the mirror plane.
    start, end = quads.ravel(), np.roll(quads, -1, axis=1).ravel()
    key = np.minimum(start, end).astype(np.int64) * nodes.shape[1] + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = key[order[1:]] == key[order[:-1]]
    shared = np.append(same, False) | np.insert(same, 0, False)
    first, second = order[shared][0::2], order[shared][1::2]
    sorted_edges = np.lexsort((second // 4, first // 4))
    first, second = first[sorted_edges], second[sorted_edges]

    # A column's internal faces, cell by cell: the one to the next layer, then those to higher columns. The
    # outermost cell's to the next block comes last, since that block's cells have higher numbers.
    sides_of = np.bincount(first // 4, minlength=count)
    closed = outer is None
    begin = np.concatenate([[0], np.cumsum(layers * (1 + sides_of) - closed)])
    slot = np.arange(len(first)) - (np.cumsum(sides_of) - sides_of)[first // 4]
    corners = np.full((begin[-1], 5 if wide else 4), NONE, dtype=np.int32)
    owner = np.empty(begin[-1], dtype=np.int32)
    neighbour = np.empty(begin[-1], dtype=np.int32)

    def place(column: IntArray, which: IntArray) -> IntArray:
        at = begin[column][:, None] + layer * (1 + sides_of[column])[:, None] + which[:, None]
        # The outermost cell has no face to a next layer of the block.
        return np.asarray(at - (layer == layers - 1))

    def sides(edges: IntArray) -> Labels:
        e0, e1 = nodes[:-1, start[edges]].T, nodes[:-1, end[edges]].T
        o0, o1 = nodes[1:, start[edges]].T, nodes[1:, end[edges]].T
        found = _wide(np.stack([e0, e1, o1, o0], axis=-1).reshape(-1, 4), wide)
        found = found.reshape(*e0.shape, corners.shape[1])
        if block.middles is not None:  # behind both corners of the inner edge: e1, o1, o0, e0, middle
            inner = found[:, 0, :4].copy()
            found[:, 0, :4] = np.roll(inner, -1, axis=1)
            found[:, 0, 4] = block.middles.ravel()[edges]
        return found

    stacked = place(np.arange(count), np.zeros(count, dtype=np.int64))[:, :-1]
    corners[stacked, :4] = np.moveaxis(nodes[1:-1][:, quads], 0, 1)
    owner[stacked] = columns[:, None] + layer[:-1]
    neighbour[stacked] = columns[:, None] + layer[1:]
    between = place(first // 4, 1 + slot)
    corners[between] = sides(first)
    owner[between] = columns[first // 4][:, None] + layer
    neighbour[between] = columns[second // 4][:, None] + layer
    if outer is not None:
        last = begin[1:] - 1
        corners[last, :4] = nodes[-1][quads]
        owner[last] = columns + np.int32(layers - 1)
        # The column of the outer block over each column of this one.
        over = np.empty(count, dtype=np.int32)
        over[block.column] = outer.column
        neighbour[last] = outer.first_cell + over * np.int32(outer.layers)

    plane = np.sort(order[~shared])
    plane_owner = (columns[plane // 4][:, None] + layer).ravel()
    return _BlockFaces(corners, owner, neighbour, sides(plane).reshape(-1, corners.shape[1]), plane_owner)


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
        used = faces.corners != NONE
        offsets = np.concatenate([[0], np.cumsum(used.sum(axis=1))]).astype(np.int32)
        _binary_list(stream, offsets, len(offsets))
        _binary_list(stream, faces.corners[used], int(offsets[-1]))
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


def _binary_list(stream: BinaryIO, values: FloatArray | Labels, length: int) -> None:
    stream.write(f"{length}\n(".encode())
    stream.write(np.ascontiguousarray(values).data)
    stream.write(b")\n")
