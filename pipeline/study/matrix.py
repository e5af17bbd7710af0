"""Runs of a study, on its matrix of depths, Reynolds numbers and spin ratios or anywhere; their starts."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipeline.records.tree import run_id
from pipeline.study.keys import depth_key, edge_angle_key, reynolds_key, spin_ratio_key
from pipeline.study.model import Study
from pipeline.study.points import RunPoint, spread_out, starts

NO_PART_OF_RESULTS = ("about", "units", "budget_core_s", "flow.keep", "flow.wall_time_s")
"""Keys of a study whose change leaves all results as they are."""


@dataclass(frozen=True)
class Variant:
    """A pattern at one depth, or at one edge angle.

    Parameters
    ----------
    pattern : str
        Name of the pattern.
    key : str
        Folder name: "d0.250mm" or "e14.00deg".
    depth_m : float or None
        Surface depth in m, when the study varies depths.
    edge_angle_rad : float or None
        Edge angle in rad, when the study varies edge angles.
    level : str or None
        Level of its mesh; None stands for the study's own.
    """

    pattern: str
    key: str
    depth_m: float | None
    edge_angle_rad: float | None
    level: str | None = None


@dataclass(frozen=True)
class RunSpec:
    """One run of the flow solver.

    Parameters
    ----------
    pattern, variant_key : str
        The geometry.
    reynolds, spin_ratio : float
        The flow.
    run_id : str
        Folder below the study's results: "runs/ico332/d0.250mm/re90000/s0.080".
    starts_from : str or None
        The run whose converged field it starts from; None starts from rest.
    level : str or None
        Mesh level; None stands for the study's own.
    """

    pattern: str
    variant_key: str
    reynolds: float
    spin_ratio: float
    run_id: str
    starts_from: str | None
    level: str | None = None


def variants(study: Study) -> list[Variant]:
    """Return every variant: patterns in the study's order, shallow to deep within each."""
    if study.points is not None:
        order = [pattern.name for pattern in study.patterns]
        asked = {(point.pattern, point.depth_m, point.level) for point in study.points}
        return [
            Variant(pattern, depth_key(depth, level), depth, None, level)
            for pattern, depth, level in sorted(
                asked, key=lambda of: (order.index(of[0]), of[1], of[2] or "")
            )
        ]
    own = own_variants(study)
    if study.flow.finer is None:
        return own
    wanted = {(run.pattern, run.variant_key) for run in runs(study)}
    finer = [_on_level(variant, study.flow.finer.level) for variant in own]
    return own + [variant for variant in finer if (variant.pattern, variant.key) in wanted]


def own_variants(study: Study) -> list[Variant]:
    """Return the variants on the study's own mesh level."""
    if study.points is not None:
        return [variant for variant in variants(study) if variant.level is None]
    found = []
    for pattern in study.patterns:
        for depth in sorted(pattern.depths_m or ()):
            found.append(Variant(pattern.name, depth_key(depth), depth, None))
        for angle in sorted(pattern.edge_angles_rad or ()):
            found.append(Variant(pattern.name, edge_angle_key(angle), None, angle))
    return found


def _on_level(variant: Variant, level: str) -> Variant:
    if variant.depth_m is not None:
        return replace(variant, key=depth_key(variant.depth_m, level), level=level)
    assert variant.edge_angle_rad is not None
    return replace(variant, key=edge_angle_key(variant.edge_angle_rad, level), level=level)


def runs(study: Study) -> list[RunSpec]:
    """Return every run, each after the one that it starts from.

    For each pattern and Reynolds number the root is the middle variant at the lowest spin ratio, started
    cold. The middle variant's other spin ratios start from the one before them; every other variant starts
    from its neighbour towards the middle at the same spin ratio, since all depths of a pattern share one
    mesh topology. Runs that lie anywhere (`Study.points`) start as of `pipeline.study.points.starts`.

    Raises
    ------
    ValueError
        The study's Reynolds numbers or spin ratios are not resolved (`pipeline.decide.flights.passage`).
    """
    if not study.flow.resolved:
        raise ValueError("flow.reynolds or flow.spin_ratios is auto: resolve the study before its runs")
    if study.points is not None:
        return _runs_anywhere(study.points)
    spin_ratios = sorted(study.flow.spin_ratios)
    everything = own_variants(study)
    found = []
    for pattern in study.patterns:
        keys = [variant.key for variant in everything if variant.pattern == pattern.name]
        middle = (len(keys) - 1) // 2
        distances = sorted((abs(index - middle), index) for index in range(len(keys)))
        for reynolds in sorted(study.flow.reynolds):
            for _, index in distances:
                for order, spin_ratio in enumerate(spin_ratios):
                    if index != middle:
                        towards = index + 1 if index < middle else index - 1
                        start = _run_id(pattern.name, keys[towards], reynolds, spin_ratio)
                    elif order > 0:
                        start = _run_id(pattern.name, keys[middle], reynolds, spin_ratios[order - 1])
                    else:
                        start = None
                    run_id = _run_id(pattern.name, keys[index], reynolds, spin_ratio)
                    found.append(RunSpec(pattern.name, keys[index], reynolds, spin_ratio, run_id, start))
    return found + _finer_runs(study, everything)


def _finer_runs(study: Study, everything: Sequence[Variant]) -> list[RunSpec]:
    """Runs of `flow.finer`, each started from the nearest of its pattern before it."""
    finer = study.flow.finer
    if finer is None:
        return []
    found = []
    for pattern in study.patterns:
        own = [_on_level(of, finer.level) for of in everything if of.pattern == pattern.name]
        places = [of.depth_m or of.edge_angle_rad or 0.0 for of in own]
        chosen, nearest = spread_out(places, study.flow.reynolds, study.flow.spin_ratios, finer.runs)
        names = [_run_id(pattern.name, own[at].key, reynolds, spin) for at, reynolds, spin in chosen]
        found += [
            RunSpec(
                pattern.name, own[at].key, reynolds, spin, name, None if start is None else names[start],
                finer.level,
            )
            for (at, reynolds, spin), name, start in zip(chosen, names, nearest, strict=True)
        ]  # fmt: skip
    return found


def _runs_anywhere(points: Sequence[RunPoint]) -> list[RunSpec]:
    keys = [depth_key(point.depth_m, point.level) for point in points]
    names = [
        _run_id(point.pattern, key, point.reynolds, point.spin_ratio)
        for point, key in zip(points, keys, strict=True)
    ]
    return [
        RunSpec(
            point.pattern,
            key,
            point.reynolds,
            point.spin_ratio,
            name,
            None if start is None else names[start],
            point.level,
        )
        for point, key, name, start in zip(points, keys, names, starts(points), strict=True)
    ]


def _run_id(pattern: str, variant_key: str, reynolds: float, spin_ratio: float) -> str:
    return run_id(pattern, variant_key, reynolds_key(reynolds), spin_ratio_key(spin_ratio))


def differences(study: Study, other: Study) -> list[str]:
    """Say where two studies differ in what their results depend on.

    Parameters
    ----------
    study, other : Study
        What is wanted, and what the results were made of.

    Returns
    -------
    list of str
        "KEY: WANTED, was OTHER" for every key that differs, SI, as in study.json.
    """
    ours, theirs = _flat(study.to_json()), _flat(other.to_json())
    return [
        f"{key}: {_short(ours.get(key))}, was {_short(theirs.get(key))}"
        for key in dict.fromkeys([*ours, *theirs])
        if ours.get(key) != theirs.get(key)
    ]


def fingerprint(study: Study) -> str:
    """Fingerprint of all of a study that its results depend on."""
    text = json.dumps(_flat(study.to_json()), sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def _flat(value: Any, at: str = "") -> dict[str, object]:
    """Leaves of a JSON value by their place, without those that results do not depend on."""
    if at in NO_PART_OF_RESULTS:
        return {}
    if isinstance(value, dict) and value:
        parts = [_flat(each, f"{at}.{key}" if at else key) for key, each in value.items()]
    elif isinstance(value, list) and value:
        parts = [_flat(each, f"{at}[{place}]") for place, each in enumerate(value)]
    else:
        return {at: value}
    return {key: leaf for part in parts for key, leaf in part.items()}


def _short(value: Any) -> str:
    return "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value)[:60]
