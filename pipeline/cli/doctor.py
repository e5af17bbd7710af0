"""`depthline doctor`: what was found, what is missing, what is used instead, and how to fix it."""

import ctypes
import os
import shutil
import subprocess
import tempfile
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from rich.table import Table

from pipeline.cli.output import print_json, tables
from pipeline.errors import InputError, MissingError
from pipeline.flow.campaign.cost import largest_mesh, memory_bytes
from pipeline.flow.solver.fidelity import FIDELITIES
from pipeline.flow.solver.find import Solver, find_solver
from pipeline.flow.solver.path import check_solver_path, fits_solver
from pipeline.machine.resources import cores_allowed, memory_available

FOUND, LIMITED, MISSING = "found", "limited", "missing"

PICTURE_LIBRARIES = ("libX11.so.6", "libEGL.so.1")
"""What pyvista loads when it starts to draw off screen."""

LITTLE_DISK = 2e9
"""Bytes below which a study's solver cases may not find room."""


@dataclass(frozen=True)
class Check:
    """One thing looked for.

    Attributes
    ----------
    name : str
        What.
    state : str
        "found", "limited" or "missing".
    found : str
        What is there.
    instead : str
        What will be used instead; empty when found.
    remedy : str
        One line on how to fix it; empty when found.
    needed : bool
        Whether no study can be computed without it.
    """

    name: str
    state: str
    found: str
    instead: str = ""
    remedy: str = ""
    needed: bool = False

    def row(self) -> dict[str, str | bool]:
        """Return it as a JSON-ready mapping."""
        return asdict(self)


def examine(results: Path) -> list[Check]:
    """Look for everything that a study needs.

    Parameters
    ----------
    results : Path
        Folder of all results, which need not exist; its disk is looked at.

    Returns
    -------
    list of Check
        Solver first.
    """
    solver: Solver | None = None
    try:
        solver = find_solver()
        first = Check("solver", FOUND, f"{solver.label}, {solver.executable}", needed=True)
        if solver.dialect.foundation:
            first = Check(
                "solver", LIMITED, first.found,
                "this one, with cases in its own syntax, which were compared with its documentation, not run",
                "install OpenCFD's OpenFOAM, 1906 or later, should a case not start", needed=True,
            )  # fmt: skip
    except MissingError as error:
        nothing = "nothing: geometry, flights and reports work, flows are not computed"
        found = "none" if solver is None else f"{solver.label}, {solver.executable}"
        first = Check("solver", MISSING, found, nothing, str(error), needed=True)
    return [
        first,
        _mpi(solver),
        _decomposition(solver),
        _cores(),
        _memory(),
        _disk(results),
        _path(results),
        _pictures(),
        _workflow(),
        _queue(),
    ]


def _mpi(solver: Solver | None) -> Check:
    launcher = solver.mpirun if solver else shutil.which("mpirun")
    serial = "every run on one core; several runs side by side still use all cores"
    if launcher is None:
        return Check(
            "MPI", MISSING, "no mpirun on PATH", serial, "apt-get install openmpi-bin, or load a module"
        )
    environment = solver.environment if solver else dict(os.environ)
    command = [launcher, "--oversubscribe", "-np", "2", "true"]
    tried = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if tried.returncode != 0:
        said = next((line.strip() for line in tried.stderr.splitlines() if line.strip("- ")), "no message")
        return Check(
            "MPI", LIMITED, f"{launcher} does not start: {said}", serial, f"try: {' '.join(command)}"
        )
    asked = subprocess.run(
        [launcher, "--version"], env=environment, capture_output=True, text=True, check=False
    )
    return Check("MPI", FOUND, f"{(asked.stdout.strip() or 'unknown version').splitlines()[0]}, {launcher}")


def _decomposition(solver: Solver | None) -> Check:
    name = "decomposition"
    if solver is None or shutil.which("decomposePar", path=solver.environment.get("PATH", "")) is None:
        return Check(
            name, MISSING, "no decomposePar on PATH", "every run on one core", "install all of OpenFOAM"
        )
    return Check(name, FOUND, "manual, along the shell's own columns (built in; scotch is not needed)")


def _cores() -> Check:
    allowed, present = cores_allowed(), os.cpu_count() or 1
    if allowed < present:
        return Check(
            "cores", LIMITED, f"{allowed} of {present} may be used", f"at most {allowed} at once",
            f"pass --cores {allowed}, or raise the limit of this container or job",
        )  # fmt: skip
    return Check("cores", FOUND, f"{present}")


def _memory() -> Check:
    available = memory_available()
    if available is None:
        return Check("memory", LIMITED, "unknown on this system", "no limit is assumed", "check by hand")
    fits = largest_mesh(available)
    said = f"{available / 1e9:.1f} GB free: room for a run of up to {fits:,} cells"
    steady = [model for model in FIDELITIES.values() if model.courant is None]
    largest = max(level.cells for model in steady for level in model.levels.values())
    if fits >= largest:
        return Check("memory", FOUND, said)
    return Check(
        "memory", LIMITED, said, "levels that fit",
        f"end other programs; the largest steady level has {largest:,} cells: "
        f"{memory_bytes(largest) / 1e9:.1f} GB",
    )  # fmt: skip


def _disk(results: Path) -> Check:
    place = Path(results).absolute()
    while not place.is_dir():
        place = place.parent
    free = shutil.disk_usage(place).free
    said = f"{free / 1e9:.1f} GB free at {place}"
    if not os.access(place, os.W_OK):
        return Check(
            "disk", MISSING, f"{place} may not be written", "nothing", "pass --results DIR", needed=True
        )
    if free < LITTLE_DISK:
        return Check("disk", LIMITED, said, "what is there; a full disk stops a study cleanly", "make room")
    return Check("disk", FOUND, said)


def _path(results: Path) -> Check:
    name, place = "path", Path(results).absolute()
    if fits_solver(place):
        return Check(name, FOUND, f"{place}: no blank and no quote, which the solver would not accept")
    said = f"{place}: has a blank or a quote, which the solver does not accept"
    try:
        check_solver_path(place)
    except InputError:
        return Check(
            name, MISSING, f"{said}, and so has {tempfile.gettempdir()}", "nothing",
            "pass --results DIR without them, or set TMPDIR to a folder without them", needed=True,
        )  # fmt: skip
    return Check(
        name, LIMITED, said, f"a link in {tempfile.gettempdir()} while a run is computed",
        "pass --results DIR without them",
    )  # fmt: skip


def _pictures() -> Check:
    absent = []
    for name in PICTURE_LIBRARIES:
        try:
            ctypes.CDLL(name)
        except OSError:
            absent.append(name)
    if absent:
        return Check(
            "libraries for pictures", MISSING, f"no {' and no '.join(absent)}",
            "reports without pictures of the balls",
            "apt-get install libegl1 libgl1-mesa-dri libx11-6 libxcursor1",
        )  # fmt: skip
    return Check("libraries for pictures", FOUND, ", ".join(PICTURE_LIBRARIES))


def _workflow() -> Check:
    try:
        return Check("workflow", FOUND, f"Snakemake {version('snakemake')}", needed=True)
    except PackageNotFoundError:
        return Check(
            "workflow", MISSING, "no Snakemake", "nothing: depthline run needs it",
            "pip install -r requirements.txt", needed=True,
        )  # fmt: skip


def _queue() -> Check:
    name, here = "cluster queue", "this machine alone"
    if shutil.which("sbatch") is None:
        return Check(
            name, MISSING, "no sbatch on PATH", here, "none needed on one machine; else use a login node"
        )
    try:
        plugin = version("snakemake-executor-plugin-slurm")
    except PackageNotFoundError:
        return Check(name, LIMITED, "Slurm without its plugin", here, "pip install 'depthline[cluster]'")
    return Check(name, FOUND, f"Slurm, executor plugin {plugin}")


def show_doctor(results_root: Path, as_json: bool) -> int:
    """Print the state of this machine.

    Parameters
    ----------
    results_root : Path
        Folder of all results; its disk is looked at.
    as_json : bool
        Print one JSON object instead of a table.

    Returns
    -------
    int
        0 when studies can be computed here, 3 when something that they need is missing.
    """
    checks = examine(results_root)
    lacking = [check for check in checks if check.needed and check.state == MISSING]
    if as_json:
        print_json({"ready": not lacking, "checks": [check.row() for check in checks]})
    else:
        console = tables()
        table = Table("", "state", "found", title="This machine")
        for check in checks:
            table.add_row(check.name, check.state, check.found)
        console.print(table)
        for check in checks:
            if check.state != FOUND:
                console.print(
                    f"{check.name}: used instead: {check.instead}. To fix it: {check.remedy}", markup=False
                )
        console.print("ready" if not lacking else f"not ready: {', '.join(check.name for check in lacking)}")
    return MissingError.exit_code if lacking else 0
