"""Names of every file and folder in a results folder, and where the files of a variant and of a run lie.

results/STUDY/
study.json, study.yaml, launches.json
geometry/PATTERN/layout.json, layout.csv
geometry/PATTERN/VARIANT/spec.json, totals.json, skin.stl, skin.ply, shell/
runs/PATTERN/VARIANT/reN/sN/spec.json, run.json, history.csv, state.npz, surface.vtk, case/
rounds.csv, search.csv, search.png
coefficients.csv, provenance.csv, tables.csv, flights.csv, decision.csv, decision.json
trade/coefficients.csv, trade/flights.csv, trade/decision.csv
shelf.json, shelf-rank.csv, shelf-rank.png
report.html, figures/, cutlist/PATTERN/VARIANT/, workflow.log
results/.reuse/, results/.layouts/      shared by all studies
"""

from pathlib import Path

STUDY, LAUNCHES = "study.json", "launches.json"
"""The study, and fingerprints of its files of measured launches, by golfer, where it has some."""

STUDY_FILE = "study.yaml"
"""Copy of the study file as it was read last, for people; no station computes from it."""

SHELF = "shelf.json"
"""Fingerprints of the balls of the shelf that a study names, by ball, where it names some."""

SHELF_RANK, SHELF_FIGURE = "shelf-rank.csv", "shelf-rank.png"
"""Balls of a shelf ranked for the study's golfers."""

GEOMETRY, RUNS = "geometry", "runs"
SPEC = "spec.json"
"""Of a variant and of a run: what it is to be made of."""

LAYOUT_SPEC, LAYOUT = "layout.json", "layout.csv"
TOTALS, SKIN_STL, SKIN_PLY = "totals.json", "skin.stl", "skin.ply"
MESH, SHELL, QUALITY = "shell/polyMesh", "shell/shell.npz", "shell/quality.json"

RESULT, HISTORY, STATE, SURFACE = "run.json", "history.csv", "state.npz", "surface.vtk"
CASE, START, PROGRESS, SPENT = "case", "start.json", "progress.json", "spent.json"
"""Of a run: the folder of the solver's case, and our files in it. `SPENT` has the wall seconds and legs of a
case so far; a leg is one start of the solver."""

SOLVER_LOG, FORCES = "solver.log", "postProcessing/forces"
MEASURES, FLOW_PLAN = "measures.json", "flows.json"
"""Of the validation: what was measured in the final state of a run, and which runs are due."""

COEFFICIENTS, PROVENANCE, TABLES, FLIGHTS = "coefficients.csv", "provenance.csv", "tables.csv", "flights.csv"
DECISION, DECISION_TABLE = "decision.json", "decision.csv"
TRADE = "trade"
REPORT, FIGURES, CUTLIST, WORKFLOW_LOG = "report.html", "figures", "cutlist", "workflow.log"
SUMMARY = "summary.csv"
"""Of the validation: one computed value beside one published value a row."""

ROUNDS = "rounds.csv"
"""Of a study that chooses its runs itself: a row a run, in the order in which they were chosen."""

SEARCH, SEARCH_FIGURE = "search.csv", "search.png"
"""Of a study whose patterns are searched: a row a candidate, and their carry against peak height."""

LOCK = ".lock"
REUSE, LAYOUTS = ".reuse", ".layouts"
"""Below the folder that holds all studies: runs by the key of their inputs, and layouts that were found."""


def pattern_folder(results: Path, pattern: str) -> Path:
    """Folder of a pattern's layout."""
    return results / GEOMETRY / pattern


def variant_folder(results: Path, pattern: str, key: str) -> Path:
    """Folder of a pattern's geometry at one depth or edge angle; `key` as of `pipeline.study.keys`."""
    return results / geometry_id(pattern, key)


def geometry_id(pattern: str, key: str) -> str:
    """Path of a variant's folder below the results."""
    return f"{GEOMETRY}/{pattern}/{key}"


def run_id(pattern: str, variant_key: str, reynolds_key: str, spin_ratio_key: str) -> str:
    """Path of a run's folder below the results, which is its name too."""
    return f"{RUNS}/{pattern}/{variant_key}/{reynolds_key}/{spin_ratio_key}"


def short_run_id(run: str) -> str:
    """Name of a run without the folder of all runs, for tables and progress lines."""
    return run.removeprefix(f"{RUNS}/")
