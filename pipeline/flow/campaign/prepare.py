"""Writes study.json and the spec files of layouts, variants and runs, which the workflow compares by time."""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import numpy as np

from pipeline.errors import InputError
from pipeline.files.atomic import write_json_if_changed
from pipeline.flow.solver.case import templates_digest
from pipeline.flow.solver.fidelity import fidelity
from pipeline.geometry import build
from pipeline.geometry.layout.file import layout_digest, read_layout
from pipeline.geometry.layout.layout import Layout
from pipeline.records import tree
from pipeline.records.flow import RunInputs, StandardErrors
from pipeline.records.geometry import BallInputs, LayoutInputs, SectionInputs, VariantInputs
from pipeline.study.file import line_of
from pipeline.study.matrix import RunSpec, Variant, runs, variants
from pipeline.study.model import Pattern, Study


def layout_spec(study: Study, pattern: Pattern) -> LayoutInputs:
    """Everything that a pattern's layout depends on; of a layout file its content's fingerprint too."""
    layout = pattern.layout
    from_file = layout.file is not None
    found = LayoutInputs(
        pattern=pattern.name,
        ball_diameter_m=study.ball.diameter_m,
        chord_diameter_m=pattern.cavity.chord_diameter_m,
        file=str(layout.file) if from_file else None,
        file_sha256=layout_digest(layout.file) if layout.file else None,
        symmetry=layout.symmetry,
        count=layout.count,
        seed=None if from_file else layout.seed,
        mirror=layout.mirror,
        narrowest_land_m=None if from_file else layout.narrowest_land_m,
    )
    # The file has only the keys of what was asked: a new kind of layout leaves other files as they are.
    if layout.starts is not None:
        found = found.changed(starts=layout.starts)
    if layout.classes is not None:
        found = found.changed(classes=layout.classes, shares=layout.shares)
    if pattern.cavity.sides is not None:
        found = found.changed(sides=pattern.cavity.sides)
    if layout.seam is not None:
        found = found.changed(
            seam=layout.seam, seam_amplitude_m=layout.seam_amplitude_m, seam_waves=layout.seam_waves
        )
    return found


def variant_spec(study: Study, variant: Variant) -> VariantInputs:
    """Everything that a variant's surface and mesh depend on besides its pattern's layout."""
    model = fidelity(study.flow.fidelity)
    level = model.level(variant.level or study.flow.level)
    orientation = next(known.layout.orientation for known in study.patterns if known.name == variant.pattern)
    found = VariantInputs(
        pattern=variant.pattern,
        key=variant.key,
        ball_diameter_m=study.ball.diameter_m,
        depth_m=variant.depth_m,
        edge_angle_rad=variant.edge_angle_rad,
        **_section(study, variant.pattern),
        n=level.n,
        layers=level.layers,
        # One shell serves all Reynolds numbers of the study, so that fields can pass from one to the next.
        first_cell=model.first_cell(max(study.flow.reynolds)),
    )
    if level.wall_layers or level.coarsen_at:
        found = found.changed(wall_layers=level.wall_layers, coarsen_at=list(level.coarsen_at))
    if model.whole:
        found = found.changed(whole=True)
    return found if orientation == "pole-up" else found.changed(orientation=orientation)


def _section(study: Study, pattern: str) -> SectionInputs:
    """What makes a pattern's cavities other than arcs of one depth; nothing when they are that."""
    cavity = next(known.cavity for known in study.patterns if known.name == pattern)
    plain = type(cavity)(chord_diameter_m=cavity.chord_diameter_m)
    given = cavity.model_dump(exclude={"chord_diameter_m", "sides"})
    found = {name: value for name, value in given.items() if value != getattr(plain, name)}
    return cast(SectionInputs, found)


def _run_spec(study: Study, run: RunSpec, templates: str) -> RunInputs:
    model, flow = fidelity(study.flow.fidelity), study.flow
    return RunInputs(
        run=run.run_id,
        pattern=run.pattern,
        variant=run.variant_key,
        geometry=tree.geometry_id(run.pattern, run.variant_key),
        reynolds=run.reynolds,
        spin_ratio=run.spin_ratio,
        fidelity=model.name,
        level=run.level or flow.level,
        iterations=flow.iterations,
        standard_error=StandardErrors(cd=flow.standard_error.cd, cl=flow.standard_error.cl),
        boundary_layer=flow.boundary_layer,
        trip_angle_rad=flow.trip_angle_rad,
        ball_diameter_m=study.ball.diameter_m,
        # The state of a mesh that has turned is no start for one that has not.
        starts_from=None if model.turning else run.starts_from,
        templates=templates,
    )


def check_cavities(study: Study, path: Path) -> None:
    """Refuse depths and edge angles that no dimple of their pattern can have, before anything is written.

    Parameters
    ----------
    study : Study
        The study.
    path : Path
        Its file, for the message.

    Raises
    ------
    InputError
        Naming file, key and value, with the feasible range.
    """
    diameter = study.ball.diameter_m
    for place, pattern in enumerate(study.patterns):
        chord = pattern.cavity.chord_diameter_m
        if pattern.layout.file:
            layout = read_layout(pattern.layout.file, diameter, chord)
        elif chord is not None:
            layout = Layout(np.array([[0.0, 0.0, 1.0]]), np.array([chord]), "none", 1)
        else:
            continue  # diameters of classes are known once the dimples are laid out
        section = _section(study, pattern.name)
        plain = BallInputs(ball_diameter_m=diameter, depth_m=None, edge_angle_rad=None, **section)
        for key, measure, values in (
            ("depths", "depth_m", pattern.depths_m),
            ("edge_angles", "edge_angle_rad", pattern.edge_angles_rad),
        ):
            for index, value in enumerate(values or []):
                try:
                    build.make_ball(layout, plain.changed(**{measure: value}))
                except InputError as error:
                    line = line_of(path, ("patterns", place, key, index))
                    raise InputError(f"{path}:{line}: patterns[{place}].{key}[{index}]: {error}") from None


def prepare(
    study: Study, results: Path, write: Callable[[Path, Any], object] = write_json_if_changed
) -> None:
    """Write study.json and the specs of all layouts, variants and runs; unchanged files keep their times.

    Parameters
    ----------
    study : Study
        The validated study.
    results : Path
        Results folder of the study; made when missing.
    write : callable
        Gets every file's path and content; writes it when it is another one by default.
    """
    write(results / tree.STUDY, study.to_json())
    measured = {golfer.name: golfer.measured.file for golfer in study.golfers if golfer.measured}
    if measured:
        prints = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in measured.items()}
        write(results / tree.LAUNCHES, prints)
    if study.shelf is not None and study.balls_named:
        balls = {name: study.shelf / f"{name}.csv" for name in study.balls_named}
        prints = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in balls.items()}
        write(results / tree.SHELF, prints)
    for pattern in study.patterns:
        write(
            tree.pattern_folder(results, pattern.name) / tree.LAYOUT_SPEC,
            layout_spec(study, pattern).content(),
        )
    for variant in variants(study):
        folder = tree.variant_folder(results, variant.pattern, variant.key)
        write(folder / tree.SPEC, variant_spec(study, variant).content())
    templates = templates_digest(fidelity(study.flow.fidelity))
    for run in runs(study):
        write(results / run.run_id / tree.SPEC, _run_spec(study, run, templates).content())
