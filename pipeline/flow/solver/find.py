"""Finding the flow solver (OpenFOAM) and the environment that its applications need."""

import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import DepthlineError, MissingError
from pipeline.flow.solver.dialect import Dialect, dialect_of

HOW_TO_GET = (
    "the flow solver OpenFOAM was not found; on Debian or Ubuntu: 'apt-get install openfoam' as root, "
    "elsewhere put its applications on PATH or source its etc/bashrc first"
)
PACKAGE_FOLDERS = ("/usr/share/openfoam",)
INSTALL_PATTERNS = ("usr/lib/openfoam/openfoam*", "opt/openfoam*", "opt/OpenFOAM/OpenFOAM-*")


KEEP_MEMORY = (
    "glibc.malloc.hugetlb=1:glibc.malloc.mmap_threshold=1000000000:"
    "glibc.malloc.trim_threshold=4000000000:glibc.malloc.top_pad=67108864"
)
"""Has the C library keep the memory of the solver's many temporary fields, in large pages where there are
any, instead of giving it back and asking for it anew: 5 to 8 % of the solver's time. Others ignore it."""


@dataclass(frozen=True)
class Solver:
    """An OpenFOAM that was found.

    Attributes
    ----------
    version : str
        As the applications print it, e.g. "1912" or "8".
    environment : dict
        Complete environment for its applications.
    mpirun : str or None
        Path of the MPI launcher, None without one.
    executable : str
        Path of the application by which it was found.
    """

    version: str
    environment: dict[str, str]
    mpirun: str | None
    executable: str

    @property
    def label(self) -> str:
        """Name and version for tables."""
        return f"OpenFOAM {self.version}"

    @property
    def dialect(self) -> Dialect:
        """Syntax of its cases."""
        return dialect_of(self.version)

    def command(self, application: str, case: Path, ranks: int = 1) -> list[str]:
        """Argument list that runs an application on a case.

        Raises
        ------
        MissingError
            If several ranks are asked for and there is no MPI launcher.
        """
        if ranks == 1:
            return [application, "-case", str(case)]
        if self.mpirun is None:
            raise MissingError(f"flow.ranks: {ranks}: there is no mpirun on PATH; install Open MPI or use 1")
        # One thread of work a rank and no core binding: several runs share the machine.
        launcher = [self.mpirun, "--oversubscribe", "--bind-to", "none", "-np", str(ranks)]
        return [*launcher, application, "-parallel", "-case", str(case)]


def find_solver(environment: dict[str, str] | None = None, root: Path = Path("/")) -> Solver:
    """Find OpenFOAM: a sourced environment, PATH, the distribution's package, or the usual install folders.

    Parameters
    ----------
    environment : dict, optional
        Environment to look in; that of this process by default.
    root : Path
        Where the file system starts (tests use another).

    Returns
    -------
    Solver
        Ready to use.

    Raises
    ------
    MissingError
        If none is found, saying how to get one.
    """
    env = dict(os.environ if environment is None else environment)
    executable = _on_path(env)
    if executable is None:
        env = _sourced(env, root)
        executable = _on_path(env)
        if executable is None:
            raise MissingError(HOW_TO_GET)
    if not env.get("WM_PROJECT_DIR"):
        # The distribution's package puts the applications on PATH but sets no environment; without this
        # variable each of them stops at a missing etc/controlDict.
        candidates = [root / folder.lstrip("/") for folder in PACKAGE_FOLDERS]
        candidates += list(Path(executable).resolve().parents)
        home = next((folder for folder in candidates if (folder / "etc" / "controlDict").is_file()), None)
        if home is None:
            raise MissingError(
                f"{executable}: found, but not its etc/controlDict; set WM_PROJECT_DIR to its installation"
            )
        env["WM_PROJECT_DIR"] = str(home)
    # Open MPI refuses root unless allowed twice; containers and cluster images run as root.
    env.setdefault("OMPI_ALLOW_RUN_AS_ROOT", "1")
    env.setdefault("OMPI_ALLOW_RUN_AS_ROOT_CONFIRM", "1")
    env["FOAM_SIGFPE"] = "true"
    env.setdefault("GLIBC_TUNABLES", KEEP_MEMORY)
    # Ranks that wait for each other leave the core to whoever has work: runs share the machine.
    env.setdefault("OMPI_MCA_mpi_yield_when_idle", "1")
    mpirun = shutil.which("mpirun", path=env.get("PATH", ""))
    return Solver(_version(executable, env), env, mpirun, executable)


def _on_path(env: dict[str, str]) -> str | None:
    found = (shutil.which(name, path=env.get("PATH", "")) for name in ("simpleFoam", "foamRun"))
    return next((path for path in found if path), None)


def _sourced(env: dict[str, str], root: Path) -> dict[str, str]:
    """Environment after sourcing the newest installed etc/bashrc, or `env` when there is none."""
    scripts = [script for pattern in INSTALL_PATTERNS for script in root.glob(f"{pattern}/etc/bashrc")]
    if not scripts:
        return env
    newest = max(
        scripts, key=lambda script: [int(part) for part in re.findall(r"\d+", str(script.parent.parent.name))]
    )
    shown = subprocess.run(
        ["bash", "-c", '. "$1" >/dev/null 2>&1; env -0', "bash", str(newest)],
        env=env, capture_output=True, check=False,
    )  # fmt: skip
    pairs = (item.split("=", 1) for item in shown.stdout.decode(errors="replace").split("\0") if "=" in item)
    return dict(pairs) or env


def _version(executable: str, env: dict[str, str]) -> str:
    shown = subprocess.run([executable, "-help"], env=env, capture_output=True, text=True, check=False)
    match = re.search(r"OpenFOAM-\s*\(?(v?[\w.]+)", shown.stdout + shown.stderr)
    if match is None:
        last = (shown.stderr.strip() or shown.stdout.strip() or "no output").splitlines()[-1].strip()
        raise MissingError(f"{executable} -help does not start: {last}")
    return match.group(1).removeprefix("v")


def run_tool(solver: Solver, command: list[str], folder: Path | None = None) -> str:
    """Run one of the solver's tools to its end, in a working folder, and return what it printed.

    Raises
    ------
    DepthlineError
        If it fails, with the last line it printed.
    """
    place = folder or Path.cwd()
    environment = solver.environment | {"PWD": str(place)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False, cwd=place)
    if done.returncode != 0:
        said = fatal_line(done.stdout + done.stderr)
        raise DepthlineError(f"{command[0]}: ended with code {done.returncode}: {said}")
    return done.stdout


def fatal_line(printed: str) -> str:
    """Pick the line after the solver's last FATAL ERROR, or else the last line that it printed."""
    lines = [line.strip() for line in printed.splitlines() if line.strip()]
    for index in range(len(lines) - 1, -1, -1):
        if "FATAL" in lines[index] and index + 1 < len(lines):
            return lines[index + 1]
    return lines[-1] if lines else "it printed nothing"
