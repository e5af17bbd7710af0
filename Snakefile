# The line: layout -> geometry -> flow -> coefficients -> flights -> decision -> report.
# One rule a station, no computation here. The working directory is a study's results folder, prepared by
# `depthline run` (study.json and the spec files); config["python"] runs the stations.

from pathlib import Path

from pipeline.matrix import runs, variants
from pipeline.study import Study

STUDY = Study.from_json(Path("study.json"))
RUNS = {run.run_id: run for run in runs(STUDY)}
VARIANTS = [f"geometry/{variant.pattern}/{variant.key}" for variant in variants(STUDY)]
PYTHON = config["python"]
# Neither is part of a run's identity: a change of them reruns nothing.
LIMITS = f"--keep {STUDY.flow.keep}"
if STUDY.flow.wall_time_s is not None:
    LIMITS += f" --wall-time {STUDY.flow.wall_time_s}"


wildcard_constraints:
    pattern="[A-Za-z0-9_-]+",
    key="[de][0-9.]+(mm|deg)",
    run=r"runs/[^/]+/[^/]+/[^/]+/[^/]+",


localrules:
    all,


# The runs are targets by themselves: an engine that finds the report up to date would not ask for a missing one.
rule all:
    input:
        "report.html",
        [f"{run}/run.json" for run in RUNS],


rule layout:
    input:
        "geometry/{pattern}/layout.json",
    output:
        "geometry/{pattern}/layout.csv",
    shell:
        "{PYTHON:q} -m pipeline.cli.stations layout {wildcards.pattern:q}"


rule geometry:
    input:
        "geometry/{pattern}/{key}/spec.json",
        "geometry/{pattern}/layout.csv",
    output:
        "geometry/{pattern}/{key}/totals.json",
    shell:
        "{PYTHON:q} -m pipeline.cli.stations geometry {wildcards.pattern:q} {wildcards.key:q}"


# A run starts from the fields of its neighbour, so it waits for it; but a neighbour computed anew does not make
# it out of date. The solver's own folder is no output: a failed job must not lose it.
rule flow:
    input:
        "{run}/spec.json",
        lambda w: f"geometry/{RUNS[w.run].pattern}/{RUNS[w.run].variant_key}/totals.json",
        start=lambda w: ancient(f"{RUNS[w.run].starts_from}/run.json") if RUNS[w.run].starts_from else [],
    output:
        "{run}/run.json",
    threads: STUDY.flow.ranks
    shell:
        "{PYTHON:q} -m pipeline.cli.stations flow {wildcards.run:q} --ranks {threads} {LIMITS}"


rule coefficients:
    input:
        [f"{run}/run.json" for run in RUNS],
    output:
        "coefficients.csv",
    shell:
        "{PYTHON:q} -m pipeline.cli.stations coefficients"


rule flights:
    input:
        "study.json",
        "coefficients.csv",
    output:
        "flights.csv",
    shell:
        "{PYTHON:q} -m pipeline.cli.stations flights"


rule decision:
    input:
        "study.json",
        "coefficients.csv",
    output:
        "decision.csv",
        "decision.json",
    shell:
        "{PYTHON:q} -m pipeline.cli.stations decision"


rule report:
    input:
        "study.json",
        "coefficients.csv",
        "flights.csv",
        "decision.json",
        [f"{variant}/totals.json" for variant in VARIANTS],
    output:
        "report.html",
    shell:
        "{PYTHON:q} -m pipeline.cli.stations report"
