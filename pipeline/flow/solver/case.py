"""Writes a solver case from `templates/`, which has a folder for each fidelity and a shared one."""

import hashlib
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.arrays import FloatArray, IntArray
from pipeline.errors import MissingError
from pipeline.files.atomic import atomic_open, write_text
from pipeline.flow.solver.boundary_layer import Zones
from pipeline.flow.solver.dialect import DISTRIBUTION, Dialect
from pipeline.flow.solver.fidelity import SAMPLE_TIME, Fidelity
from pipeline.flow.solver.turning_zones import zone_entries

TEMPLATES = Path(__file__).resolve().parents[3] / "templates"

WRITE_INTERVAL = 50
"""Samples of the forces (iterations, when steady) between two states on disk: what a killed run loses at
most."""


class CaseWriter:
    """Renders the solver's files of one case.

    Parameters
    ----------
    fidelity : Fidelity
        Which templates to use: those of its own folder before the shared ones.
    folder : Path
        Case folder.
    reynolds : float
        Reynolds number on the ball's diameter.
    spin_ratio : float
        S, for a mesh that turns with the ball.
    n : int
        Cells along a cube edge, for the time step.
    iterations : int
        Ceiling of samples of the forces: iterations, when steady.
    mirrored : bool
        Whether the mesh is half a ball's, with a mirror plane.
    robust : bool
        Whether smaller relaxation factors are used, for a run that diverged with the usual ones.
    dialect : Dialect
        Syntax of the OpenFOAM that will read the case.
    """

    def __init__(
        self,
        fidelity: Fidelity,
        folder: Path,
        reynolds: float,
        spin_ratio: float,
        n: int,
        iterations: int,
        mirrored: bool = False,
        robust: bool = False,
        dialect: Dialect = DISTRIBUTION,
    ) -> None:
        self.mirrored = mirrored
        self._dialect = dialect
        self._fidelity = fidelity
        self._folder = Path(folder)
        steps = fidelity.steps_per_sample(n)
        sample_time = 1 if fidelity.courant is None else SAMPLE_TIME
        self._spin_ratio, self._time_step = float(spin_ratio), sample_time / steps
        self._end_time = float(iterations * sample_time)
        self._values = {
            "application": dialect.application(fidelity.application),
            "dialect": dialect,
            "reynolds": float(reynolds),
            "spin_ratio": float(spin_ratio),
            "turning": fidelity.turning,
            "end_time": iterations * sample_time,
            "time_step": self._time_step,
            "sample_interval": steps,
            "write_interval": WRITE_INTERVAL * steps,
            "stop_at": "endTime",
            "mirrored": mirrored,
            "robust": robust,
        }
        self._environment = Environment(
            loader=FileSystemLoader([TEMPLATES / name for name in fidelity.templates]),
            undefined=StrictUndefined,
            keep_trailing_newline=True,
            trim_blocks=True,
            autoescape=False,
        )

    def write(
        self,
        mesh: Path,
        wall: FloatArray,
        start: dict[str, FloatArray] | None = None,
        ranks: IntArray | None = None,
        zones: Sequence[Zones] = (),
    ) -> None:
        """Write the whole case.

        Parameters
        ----------
        mesh : Path
            Folder of the polyMesh, which the case links to.
        wall : ndarray, shape (q, 3)
            Velocity of the faces on the ball.
        start : dict of ndarray, optional
            Cell fields to start from: U of shape (n, 3) and the fidelity's scalars of shape (n,). The free
            stream without it.
        ranks : ndarray of int, shape (n,), optional
            MPI rank of each cell, where the case will be decomposed.
        zones : sequence of Zones
            Where turbulence is held off and where it is set: one, or one a sector of a turn
            (`pipeline.flow.solver.turning_zones`); nowhere without them.

        Raises
        ------
        MissingError
            If the solver cannot hold zones for spans of time.
        """
        entries = zone_entries(zones, self._spin_ratio, self._time_step, self._end_time)
        if self._dialect.foundation and any(entry.since is not None for entry in entries):
            raise MissingError(
                f"flow.fidelity: {self._fidelity.name}: zones that stand still on a turning mesh are held "
                f"for spans of time, which OpenFOAM {self._dialect.version} cannot; use OpenCFD's OpenFOAM, "
                "steady-rans, or boundary_layer: turbulent"
            )
        start = start or {}
        for name in ("system/controlDict", "system/fvSchemes", "system/fvSolution",
                     "constant/transportProperties", "constant/turbulenceProperties"):  # fmt: skip
            self._write(name)
        if self._fidelity.courant is not None:
            self._write("constant/dynamicMeshDict")
        free = {"U": np.array([1.0, 0.0, 0.0])} | {
            name: np.array(value) for name, value in self._fidelity.free_stream.items()
        }
        for name, value in free.items():
            self._write_field(name, start.get(name, value), value, wall)
        if ranks is not None:
            self._write_ranks(ranks)
        folder = self._folder / "constant" / "polyMesh"
        folder.mkdir(parents=True, exist_ok=True)
        for path in Path(mesh).resolve().iterdir():
            (folder / path.name).symlink_to(path)
        if entries:
            self._write("constant/fvOptions", zones=entries)
            self._write_zones({entry.zone: entry.cells for entry in entries})

    def request_stop(self) -> None:
        """Tell the running solver to write its state and end (it rereads controlDict)."""
        self._write("system/controlDict", stop_at="writeNow")

    def permit_start(self) -> None:
        """Undo `request_stop` before the solver is started again."""
        self._write("system/controlDict")

    def _write(self, name: str, **values: object) -> None:
        path = self._dialect.file(name)
        write_text(self._folder / path, self._render(name, object=Path(path).name, **values))

    def _render(self, name: str, **values: object) -> str:
        return self._environment.get_template(name).render(self._values | values)

    def _write_field(self, name: str, internal: FloatArray, free: FloatArray, wall: FloatArray) -> None:
        blobs = {"@internal@": _field_value(internal), "@wall@": _field_value(wall)}
        text = self._render(
            f"0/{name}", internal="@internal@", wall="@wall@", free_stream=f"{float(np.ravel(free)[0]):.10g}"
        )
        content = text.encode()
        for marker, blob in blobs.items():
            content = content.replace(marker.encode(), blob)
        with atomic_open(self._folder / "0" / name) as stream:
            stream.write(content)

    def _write_zones(self, zones: dict[str, IntArray]) -> None:
        entries = "".join(
            f"{name}\n{{\n    type cellZone;\n    cellLabels List<label> {len(cells)}\n(\n"
            + "\n".join(map(str, cells.tolist()))
            + "\n);\n}\n"
            for name, cells in zones.items()
        )
        write_text(
            self._folder / "constant/polyMesh/cellZones",
            "FoamFile\n{\n    version 2.0;\n    format ascii;\n    class regIOobject;\n"
            '    location "constant/polyMesh";\n    object cellZones;\n}\n'
            f"{len(zones)}\n(\n{entries})\n",
        )

    def _write_ranks(self, ranks: IntArray) -> None:
        self._write("system/decomposeParDict", ranks=int(ranks.max()) + 1)
        with atomic_open(self._folder / "constant/cellRanks") as stream:
            stream.write(
                b"FoamFile\n{\n    version 2.0;\n    format ascii;\n    class labelList;\n"
                b'    location "constant";\n    object cellRanks;\n}\n'
            )
            stream.write(f"{len(ranks)}\n(\n".encode())
            np.savetxt(stream, ranks, fmt="%d")
            stream.write(b")\n")


def templates_digest(fidelity: Fidelity) -> str:
    """Fingerprint of the template files that a fidelity's cases are rendered from."""
    digest = hashlib.sha256()
    for folder in fidelity.templates:
        for path in sorted((TEMPLATES / folder).rglob("*")):
            if path.is_file():
                digest.update(str(path.relative_to(TEMPLATES)).encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def remove_case(folder: Path) -> None:
    """Remove a case folder; the mesh it links to stays."""
    shutil.rmtree(folder, ignore_errors=True)


def _field_value(values: FloatArray) -> bytes:
    """A field entry in the solver's binary form: uniform for a single value, else a list."""
    values = np.asarray(values, dtype=np.float64)
    if values.ndim == 0:
        return f"uniform {float(values):.10g}".encode()
    if values.shape == (3,):
        return f"uniform ({' '.join(f'{float(v):.10g}' for v in values)})".encode()
    kind = "vector" if values.ndim == 2 else "scalar"
    return f"nonuniform List<{kind}>\n{len(values)}\n(".encode() + values.tobytes() + b")"
