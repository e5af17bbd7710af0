"""Finds the one ball of a study that options name: its pattern, and its depth or edge angle."""

from dataclasses import dataclass
from pathlib import Path

from pipeline.cli.check import laid_out
from pipeline.cli.output import shown_progress
from pipeline.cli.study_input import read_study
from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import variant_spec
from pipeline.geometry import build
from pipeline.geometry.ball.height_field import DimpledBall
from pipeline.study.keys import depth_key, edge_angle_key
from pipeline.study.matrix import Variant
from pipeline.study.model import Study
from pipeline.study.units import ANGLE, LENGTH, Kind, QuantityError, parse_quantity


@dataclass(frozen=True)
class OneBall:
    """A ball of a study.

    Attributes
    ----------
    study : Study
        The study.
    results : Path
        Its results folder, which need not exist.
    pattern, key : str
        Its pattern, and the folder name of its depth or edge angle.
    ball : DimpledBall
        The finished ball.
    by_angle : bool
        Whether it was named by its edge angle.
    """

    study: Study
    results: Path
    pattern: str
    key: str
    ball: DimpledBall
    by_angle: bool


def one_ball(
    path: Path, results_root: Path, pattern: str | None, depth: str | None, edge_angle: str | None
) -> OneBall:
    """Make the ball that the options of a command name; the depth need not be one of those studied.

    Parameters
    ----------
    path : Path
        Study file.
    results_root : Path
        Folder that holds the results of all studies; a layout that is there already is used.
    pattern : str or None
        Name of the pattern; not needed when the study has one only.
    depth, edge_angle : str or None
        Surface depth or edge angle with its unit, one of the two.

    Returns
    -------
    OneBall
        The ball.

    Raises
    ------
    InputError
        If the study or an option is wrong, or there is no such ball.
    """
    study = read_study(path)
    names = [known.name for known in study.patterns]
    if pattern is None and len(names) > 1:
        raise InputError(f"--pattern: is missing; the study has {', '.join(names)}")
    name = names[0] if pattern is None else pattern
    if name not in names:
        raise InputError(f"--pattern: {name}: must be one of {', '.join(names)}")
    if (depth is None) == (edge_angle is None):
        raise InputError('--depth: give one of --depth (for instance "0.25 mm") and --edge-angle ("14 deg")')
    variant = (
        Variant(name, depth_key(value := quantity("--depth", depth, LENGTH)), value, None)
        if depth is not None
        else Variant(
            name, edge_angle_key(value := quantity("--edge-angle", str(edge_angle), ANGLE)), None, value
        )
    )
    results = results_root / study.name
    with shown_progress(f"laying out {name}") as progress:
        layout = laid_out(study, study.patterns[names.index(name)], results, progress)
    ball = build.make_ball(layout, variant_spec(study, variant))
    return OneBall(study, results, name, variant.key, ball, edge_angle is not None)


def quantity(option: str, text: str, kind: Kind) -> float:
    """Read an option's quantity in SI; a wrong one is an InputError that names the option."""
    try:
        return parse_quantity(text, kind)
    except QuantityError as error:
        raise InputError(f"{option}: {text}: {error}") from None
