"""Warnings of a study's geometry before it runs, from what is known without looking for a layout."""

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import layout_spec, variant_spec
from pipeline.geometry import build
from pipeline.geometry.ball.plausible import Measures, implausible, measures, measures_of_totals
from pipeline.geometry.layout.layout import Layout
from pipeline.geometry.layout.store import recall
from pipeline.records import tree
from pipeline.records.geometry import BallTotals
from pipeline.records.record import read
from pipeline.study.matrix import own_variants
from pipeline.study.model import Pattern, Study


def geometry_warnings(study: Study, results: Path) -> list[str]:
    """Say which patterns have a coverage, edge angle or dimple volume that no ball has.

    Parameters
    ----------
    study : Study
        The study; its cavities are possible (`pipeline.flow.campaign.prepare.check_cavities`).
    results : Path
        Its results folder, which need not exist.

    Returns
    -------
    list of str
        Nothing of patterns whose chord diameters are not known yet: those of classes that nobody has looked
        for. `built_warnings` has them when their geometry is there.
    """
    found: list[str] = []
    for index, pattern in enumerate(study.patterns):
        some = _dimples(study, pattern, results)
        if some is None:
            continue
        layout, copies = some
        balls = [
            measures(build.make_ball(layout, variant_spec(study, variant)), variant.key, copies)
            for variant in own_variants(study)
            if variant.pattern == pattern.name
        ]
        found += pattern_warnings(index, pattern, balls)
    return found


def built_warnings(study: Study, results: Path) -> list[str]:
    """Say the same of patterns of classes, from the totals of geometry that is there."""
    found: list[str] = []
    for index, pattern in enumerate(study.patterns):
        if pattern.layout.classes is None:
            continue
        balls: list[Measures | None] = []
        for variant in own_variants(study):
            path = tree.variant_folder(results, variant.pattern, variant.key) / tree.TOTALS
            try:
                if variant.pattern == pattern.name:
                    balls.append(measures_of_totals(read(path, BallTotals), variant.key))
            except (InputError, OSError, TypeError):
                continue
        found += pattern_warnings(index, pattern, balls)
    return found


def pattern_warnings(index: int, pattern: Pattern, balls: Sequence[Measures | None]) -> list[str]:
    """Warnings of the balls of one pattern of a study; None stands for a smooth one."""
    dimpled = [of for of in balls if of is not None]
    return [f"patterns[{index}] ({pattern.name}): {line}" for line in implausible(dimpled)]


def _dimples(study: Study, pattern: Pattern, results: Path) -> tuple[Layout, int] | None:
    """Dimples of a pattern and how often it has each of them; None where that is not known."""
    spec, chord = layout_spec(study, pattern), pattern.cavity.chord_diameter_m
    if spec.file is not None:
        return build.make_layout(spec), 1
    if chord is not None and pattern.layout.count is not None:
        one = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([chord]), "none", 1)
        if pattern.cavity.sides:
            one = dataclasses.replace(one, sides=np.array([pattern.cavity.sides]), turns_rad=np.zeros(1))
        return one, pattern.layout.count
    kept = recall(results.parent, spec)
    return None if kept is None else (kept, 1)
