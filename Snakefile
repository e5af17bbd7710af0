# The line: layout -> geometry -> flow -> coefficients -> flights -> decision -> report.
# One rule a station, no computation here. The working directory is a study's results folder, prepared by
# `depthline run` (study.json and the spec files). `config` is the profile's (pipeline/flow/campaign/request.py).

import sys
from pathlib import Path

from pipeline.flow.campaign.request import Policy, requests
from pipeline.study.matrix import runs, variants
from pipeline.study.model import Study

STUDY = Study.from_json(Path("study.json"))
RUNS = {run.run_id: run for run in runs(STUDY)}
VARIANTS = [f"geometry/{variant.pattern}/{variant.key}" for variant in variants(STUDY)]
PYTHON = sys.executable
# Fingerprints of measured launches, which only flights and decision depend on.
LAUNCHES = ["launches.json"] if any(golfer.measured for golfer in STUDY.golfers) else []
# Fingerprints of the balls of the shelf that the study names, which decision and report depend on.
SHELF = ["shelf.json"] if STUDY.balls_named else []
POLICY = Policy.from_config(config)
REQUESTS = requests(STUDY, POLICY)
# None of these is part of a run's identity: a change of them reruns nothing.
LIMITS = f"--keep {STUDY.flow.keep} --attempts {POLICY.attempts}"
if STUDY.flow.wall_time_s is not None:
    LIMITS += f" --wall-time {STUDY.flow.wall_time_s}"
if POLICY.leave_seconds is not None:
    LIMITS += f" --leave-seconds {POLICY.leave_seconds}"


wildcard_constraints:
    pattern="[A-Za-z0-9_-]+",
    key="[de][0-9.]+(mm|deg)(-[a-z]+)?",
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
    group:
        "geometry-{pattern}"
    shell:
        "{PYTHON:q} -m pipeline.workflow.stations layout {wildcards.pattern:q}"


rule geometry:
    input:
        "geometry/{pattern}/{key}/spec.json",
        "geometry/{pattern}/layout.csv",
    output:
        "geometry/{pattern}/{key}/totals.json",
    group:
        "geometry-{pattern}"
    shell:
        "{PYTHON:q} -m pipeline.workflow.stations geometry {wildcards.pattern:q} {wildcards.key:q}"


# A run starts from the fields of its neighbour, so it waits for it; but a neighbour computed anew does not make
# it out of date. The solver's own folder is no output: a failed job must not lose it.
rule flow:
    input:
        "{run}/spec.json",
        lambda w: f"geometry/{RUNS[w.run].pattern}/{RUNS[w.run].variant_key}/totals.json",
        start=lambda w: ancient(f"{RUNS[w.run].starts_from}/run.json") if RUNS[w.run].starts_from else [],
    output:
        "{run}/run.json",
    group:
        lambda w: REQUESTS[w.run].group
    threads: lambda w: REQUESTS[w.run].ranks
    resources:
        mem_mb=lambda w, attempt: REQUESTS[w.run].memory_mb(attempt),
        runtime=lambda w, attempt: REQUESTS[w.run].minutes(attempt),
        attempt=lambda w, attempt: attempt,
    shell:
        "{PYTHON:q} -m pipeline.workflow.stations flow {wildcards.run:q} --ranks {threads} {LIMITS}"
        " --attempt {resources.attempt} --minutes {resources.runtime}"


rule coefficients:
    input:
        [f"{run}/run.json" for run in RUNS],
    output:
        "coefficients.csv",
    group:
        "tables"
    shell:
        "{PYTHON:q} -m pipeline.workflow.stations coefficients"


# Flights and decision share one model of the coefficients and its draws.
rule decision:
    input:
        "study.json",
        "coefficients.csv",
        LAUNCHES,
        SHELF,
    output:
        "flights.csv",
        "decision.csv",
        "decision.json",
    group:
        "tables"
    shell:
        "{PYTHON:q} -m pipeline.workflow.stations decision"


rule report:
    input:
        "study.json",
        "coefficients.csv",
        "flights.csv",
        "decision.json",
        SHELF,
        [f"{variant}/totals.json" for variant in VARIANTS],
    output:
        "report.html",
    group:
        "tables"
    shell:
        "{PYTHON:q} -m pipeline.workflow.stations report"
