"""CPU seconds of mesher and solver for a smooth sphere: our shell beside an octree mesh.

The octree is the solver's own cut-cell mesh. One run each way on one core; what the numbers were is in
cost.md.

    python benchmarks/bench_octree.py
"""

import re
import tempfile
import time
from pathlib import Path

import numpy as np
from solved import Bench

from pipeline.flow.solver.case import CaseWriter
from pipeline.flow.solver.fidelity import fidelity
from pipeline.geometry.shell.files import write_shell
from pipeline.geometry.shell.mesh import PHANTOM_RADIUS, Level, build_shell
from pipeline.records.tree import MESH

PUBLISHED = 1.087
"""Cd of a sphere at rest, Re 100: Johnson & Patel 1999, J. Fluid Mech. 378:19-70 [quoted]."""

OCTREE_HALF = 15.7
"""Half an edge of the octree's cube in diameters."""

OCTREES = ((14, 5), (17, 5), (20, 5), (24, 5), (28, 5), (20, 6))
"""Blocks along that edge, and how often they are halved towards the ball: (20, 5) gives our wall cells."""

BLOCK_MESH = """
FoamFile {{ version 2.0; format ascii; class dictionary; object blockMeshDict; }}
vertices
(
    (-{half} -{half} -{half}) ({half} -{half} -{half}) ({half} {half} -{half}) (-{half} {half} -{half})
    (-{half} -{half} {half}) ({half} -{half} {half}) ({half} {half} {half}) (-{half} {half} {half})
);
blocks (hex (0 1 2 3 4 5 6 7) ({blocks} {blocks} {blocks}) simpleGrading (1 1 1));
edges ();
boundary
(
    far
    {{
        type patch;
        faces ((0 3 2 1) (4 5 6 7) (0 1 5 4) (3 7 6 2) (0 4 7 3) (1 2 6 5));
    }}
);
"""

SNAPPY = """
FoamFile {{ version 2.0; format ascii; class dictionary; object snappyHexMeshDict; }}
castellatedMesh true;
snap true;
addLayers true;
geometry {{ ball {{ type searchableSphere; centre (0 0 0); radius 0.5; }} }}
castellatedMeshControls
{{
    maxLocalCells 4000000; maxGlobalCells 4000000; minRefinementCells 0; nCellsBetweenLevels 3;
    features ();
    refinementSurfaces {{ ball {{ level ({level} {level}); patchInfo {{ type wall; }} }} }}
    resolveFeatureAngle 60;
    refinementRegions
    {{
        ball {{ mode distance; levels ((0.25 {level}) (0.75 {one}) (2 {two}) (5 {three})); }}
    }}
    locationInMesh (3.01 3.02 3.03);
    allowFreeStandingZoneFaces false;
}}
snapControls {{ nSmoothPatch 3; tolerance 2.0; nSolveIter 50; nRelaxIter 5; }}
addLayersControls
{{
    relativeSizes false;
    layers {{ ball {{ nSurfaceLayers 5; }} }}
    expansionRatio 1.2; firstLayerThickness {first}; minThickness {thinnest};
    nGrow 0; featureAngle 180; nRelaxIter 5; nSmoothSurfaceNormals 1; nSmoothNormals 3; nSmoothThickness 10;
    maxFaceThicknessRatio 0.5; maxThicknessToMedialRatio 0.5; minMedianAxisAngle 90; nBufferCellsNoExtrude 0;
    nLayerIter 50;
}}
meshQualityControls
{{
    maxNonOrtho 65; maxBoundarySkewness 20; maxInternalSkewness 4; maxConcave 80; minVol 1e-13;
    minTetQuality 1e-15; minArea -1; minTwist 0.02; minDeterminant 0.001; minFaceWeight 0.05;
    minVolRatio 0.01; minTriangleTwist -1; nSmoothScale 4; errorReduction 0.75;
}}
mergeTolerance 1e-6;
"""


def octree(bench: Bench) -> None:
    """A smooth sphere at Re 100 on our shell and on the solver's own cut-cell octree mesh."""
    model, level = fidelity("laminar"), fidelity("laminar").level("coarse")
    print("smooth sphere at rest, Re 100: cells, CPU seconds of mesh and run, Cd, error")
    targets = {"cd": 5e-4, "cl": 5e-4}
    quad = np.pi / (4 * level.n)
    meshes = {
        f"shell of ours{', half' if mirrored else ''}, {n} cells an edge": our_mesh(
            bench, n, layers, mirrored
        )
        for n, layers, mirrored in (
            (level.n, level.layers, False),
            (level.n, level.layers, True),
            (14, 35, True),
            (12, 30, True),
            (10, 26, True),
        )
    }
    for blocks, depth in OCTREES:
        width = 2 * OCTREE_HALF / blocks / 2**depth
        first_cell = model.first_cell(100.0) * min(1.0, width / quad)
        meshes[f"octree, {width / quad:.2f} of its wall cells"] = octree_mesh(
            bench, blocks, depth, first_cell
        )
    for place, (name, (mesh, cells, seconds)) in enumerate(meshes.items()):
        case, half = bench.folder / f"sphere-{place}", "half" in name
        writer = CaseWriter(model, case, 100.0, 0.0, level.n, 800, half)
        writer.write(mesh, np.zeros(3))
        solved = bench.solve(case, writer, targets, half)
        error = 100.0 * (solved.cd / PUBLISHED - 1.0)
        print(
            f"{name:<40}{cells:9,}{seconds:8.1f} +{solved.seconds:6.1f} s   {solved.cd:.4f} {error:+.2f} %",
            flush=True,
        )


def our_mesh(bench: Bench, n: int, layers: int, mirrored: bool) -> tuple[Path, int, float]:
    """Folder, cells and CPU seconds of a shell; its first cell shrinks with the others."""
    first_cell = fidelity("laminar").first_cell(100.0) * 16 / n
    folder = bench.folder / f"shell-{n}-{mirrored}"
    begun = time.process_time()
    shell = build_shell(lambda u: np.full(len(u), PHANTOM_RADIUS), Level(n, layers), first_cell, mirrored)
    write_shell(folder, shell)
    return folder / MESH, shell.cells, time.process_time() - begun


def octree_mesh(bench: Bench, blocks: int, level: int, first_cell: float) -> tuple[Path, int, float]:
    """Folder, cells and CPU seconds of an octree mesh."""
    case = bench.folder / f"octree-{blocks}-{level}"
    CaseWriter(fidelity("laminar"), case, 100.0, 0.0, 16, 1).write(
        bench.folder / "shell-16-False" / MESH, np.zeros(3)
    )
    for link in (case / "constant/polyMesh").iterdir():
        link.unlink()
    (case / "system/blockMeshDict").write_text(BLOCK_MESH.format(half=OCTREE_HALF, blocks=blocks))
    (case / "system/snappyHexMeshDict").write_text(
        SNAPPY.format(
            level=level,
            one=level - 1,
            two=level - 2,
            three=level - 3,
            first=first_cell,
            thinnest=first_cell / 4,
        )
    )
    seconds = bench.tool("blockMesh", case) + bench.tool("snappyHexMesh", case, "-overwrite")
    mesh = case / "constant/polyMesh"
    cells = int(re.search(rb"nCells: *(\d+)", (mesh / "owner").read_bytes()[:1000])[1])
    for extra in ("cellLevel", "pointLevel", "level0Edge", "surfaceIndex", "refinementHistory"):
        (mesh / extra).unlink(missing_ok=True)
    return mesh, cells, seconds


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        octree(Bench(Path(name)))
