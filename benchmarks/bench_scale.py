"""How checking, starting and scheduling a study grow with its runs (100, 1,000, 5,000); large tables.

No flow is computed: the outputs of all runs are empty files (STUBS), which the workflow engine is told to
touch, so that it schedules and finishes every job without doing its work. CPU seconds and the largest memory
of each process; the last column is the growth of the time a run from one size to the next, 1 where linear.

    python benchmarks/bench_scale.py [RUNS ...]
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.aero.collect import COLUMNS, read_coefficients, write_coefficients
from pipeline.flow.campaign.prepare import prepare
from pipeline.study.file import load_study
from pipeline.study.matrix import runs, variants
from pipeline.study.model import Study
from pipeline.workflow.engine import batches, command, environment, load_profile

SIZES = (100, 1000, 5000)
RUNS_A_PATTERN = 100
PATTERN = """\
  - name: p{index}
    layout: {{symmetry: icosahedral, count: 32, seed: {index}}}
    cavity: {{chord_diameter: 3.58 mm}}
    depths: [0.15 mm, 0.20 mm, 0.25 mm, 0.30 mm, 0.35 mm]
"""
STUDY = """\
name: scale
ball: {{diameter: 42.70 mm, mass: 45.9 g}}
patterns:
{patterns}flow:
  fidelity: steady-rans
  level: coarse
  reynolds: [8e4, 1.0e5, 1.2e5, 1.5e5, 2.0e5]
  spin_ratios: [0.05, 0.1, 0.2, 0.3]
golfers:
  - name: fast swing
    launch: {{ball_speed: 165 mph, launch_angle: 11 deg, backspin: 2600 rpm}}
"""
ROWS = 100_000


def measured(arguments: list[str], folder: Path) -> tuple[float, float]:
    """CPU seconds and MiB of the largest process of a command."""
    script = (
        "import resource, subprocess, sys; code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL,"
        " stderr=subprocess.PIPE); used = resource.getrusage(resource.RUSAGE_CHILDREN);"
        " sys.exit(code.stderr.decode()[-2000:]) if code.returncode else"
        " print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
    )
    if done.returncode != 0:
        raise SystemExit(done.stderr)
    seconds, memory = map(float, done.stdout.split())
    return seconds, memory


def write_stubs(study: Study, results: Path) -> None:
    """Empty files where the stations would leave their results."""
    names = [f"geometry/{pattern.name}/layout.csv" for pattern in study.patterns]
    names += [f"geometry/{variant.pattern}/{variant.key}/totals.json" for variant in variants(study)]
    names += [f"{run.run_id}/run.json" for run in runs(study)]
    names += ["coefficients.csv", "flights.csv", "decision.csv", "decision.json", "report.html"]
    for name in names:
        (results / name).touch()


def engine(results: Path, targets: list[str], *options: str, cores: int = 2) -> list[str]:
    """Command of the workflow engine with more options."""
    words = command(load_profile(None), results, cores, [], targets)
    end = words.index("--")
    return [*words[:end], *options, "--quiet", *words[end:]]


def grow(sizes: list[int], folder: Path) -> None:
    before: dict[str, tuple[int, float]] = {}
    for size in sizes:
        patterns = "".join(PATTERN.format(index=index) for index in range(size // RUNS_A_PATTERN))
        path = folder / f"scale-{size}.yaml"
        path.write_text(STUDY.format(patterns=patterns))
        results = folder / str(size)
        begun = time.process_time()
        study = load_study(path)
        prepare(study, results)
        found = {"reading, spec files": (time.process_time() - begun, 0.0)}
        check = [
            sys.executable,
            "-c",
            "from pipeline.cli.app import main; main()",
            "check",
            str(path),
            "--json",
        ]
        found["depthline check"] = measured(check, folder)
        found["workflow, dry run"] = measured(engine(results, [], "--dry-run"), results)
        write_stubs(study, results)
        parts = [
            measured(engine(results, targets, "--touch", *(["--forceall"] if targets else [])), results)
            for targets in batches(runs(study))
        ]
        found[f"workflow in {len(parts)} parts"] = (
            sum(part[0] for part in parts),
            max(part[1] for part in parts),
        )
        found["workflow as one"] = measured(engine(results, [], "--touch", "--forceall"), results)
        for title, (seconds, memory) in found.items():
            name, growth = title.split(" in ")[0], ""
            if name in before:
                runs_before, seconds_before = before[name]
                growth = f"{(seconds / size) / (seconds_before / runs_before):10.2f}"
            print(
                f"{size:6,} runs  {title:24s} {seconds:8.1f} s {1e3 * seconds / size:8.2f} ms/run"
                f" {memory:8.0f} MiB {growth}",
                flush=True,
            )
            before[name] = (size, seconds)


def table(folder: Path) -> None:
    """Writing and reading coefficients.csv; invented numbers."""
    rng = np.random.default_rng(1)
    frame = pd.DataFrame({name: rng.uniform(0.1, 1.0, ROWS) for name in COLUMNS})
    for name in ("pattern", "verdict", "fidelity", "solver", "run"):
        frame[name] = name
    path = folder / "coefficients.csv"
    begun = time.process_time()
    write_coefficients(frame, path)
    written = time.process_time()
    read_coefficients(path)
    print(
        f"table of {ROWS:,} rows: written in {written - begun:.2f} s,"
        f" read in {time.process_time() - written:.2f} s, {path.stat().st_size / 1e6:.0f} MB"
    )


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    with tempfile.TemporaryDirectory() as name:
        table(Path(name))
        grow([int(word) for word in sys.argv[1:]] or list(SIZES), Path(name))
