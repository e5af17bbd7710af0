"""What our own code costs a run, at 100 and more runs: all is done but the flow.

The solver is the STUB of tests/stub_solver, which computes nothing and invents a history that settles; its
own time is in the figures. Every run has a real mesh (one ball's, linked), case, judgement, verdict and
result at the coarse level. CPU seconds, the largest memory of a process, seconds; the last column is the
growth of the CPU time a run.

    python benchmarks/bench_station.py [RUNS ...]     e.g. 100 1000 5000
"""

import json
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

from bench_scale import PATTERN, RUNS_A_PATTERN, STUDY, engine, measured

from pipeline.flow.campaign.prepare import prepare
from pipeline.geometry.build import build_layout, build_variant
from pipeline.study.file import load_study
from pipeline.study.matrix import runs, variants
from pipeline.study.model import Study
from pipeline.workflow.engine import ROOT, batches

SIZES = (100,)
CORES = 6
"""Runs at a time: each sleeps for most of its time, between two looks at a solver that is none."""

SPECS = shutil.ignore_patterns("spec.json", "layout.json")


def link_geometry(study: Study, results: Path) -> None:
    """Make one ball and give it to all variants."""
    everything = variants(study)
    first = results / "geometry" / everything[0].pattern
    build_layout(first)
    made = first / everything[0].key
    build_variant(made)
    for pattern in study.patterns[1:]:
        os.link(first / "layout.csv", results / "geometry" / pattern.name / "layout.csv")
    for variant in everything[1:]:
        folder = results / "geometry" / variant.pattern / variant.key
        shutil.copytree(made, folder, copy_function=os.link, ignore=SPECS, dirs_exist_ok=True)


def go(size: int, folder: Path) -> tuple[float, float, float]:
    """CPU seconds, MiB and seconds of the flow station for so many runs."""
    path, results = folder / f"station-{size}.yaml", folder / str(size)
    patterns = "".join(PATTERN.format(index=index) for index in range(size // RUNS_A_PATTERN))
    text = STUDY.format(patterns=patterns)
    # The stub would be at the usual ceiling before it is looked at.
    path.write_text(text.replace("  level: coarse\n", "  level: coarse\n  iterations: 200\n"))
    study = load_study(path)
    prepare(study, results)
    link_geometry(study, results)
    matrix = runs(study)
    begun = time.monotonic()
    everything = [f"{run.run_id}/run.json" for run in matrix]
    parts = [
        measured(engine(results, targets or everything, cores=CORES), results) for targets in batches(matrix)
    ]
    took = time.monotonic() - begun
    verdicts = {json.loads((results / run.run_id / "run.json").read_text())["verdict"] for run in matrix}
    assert verdicts == {"settled"}, verdicts
    return sum(part[0] for part in parts), max(part[1] for part in parts), took


if __name__ == "__main__":
    stub = ROOT / "tests/stub_solver"
    os.environ |= {
        "PATH": f"{stub}:{os.environ['PATH']}",
        "WM_PROJECT_DIR": str(stub),
        "OMP_NUM_THREADS": "1",
    }
    before = None
    with tempfile.TemporaryDirectory() as name:
        for size in [int(word) for word in sys.argv[1:]] or list(SIZES):
            seconds, memory, took = go(size, Path(name))
            growth = "" if before is None else f"{seconds / size / before:10.2f}"
            print(
                f"{size:6,} runs  {seconds:8.1f} CPU s {seconds / size:8.3f} CPU s/run {memory:8.0f} MiB "
                f"{took:8.1f} s{growth}",
                flush=True,
            )
            before = seconds / size
            shutil.rmtree(Path(name) / str(size))
