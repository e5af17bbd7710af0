"""`depthline draw`: pictures of one ball of a study."""

from pathlib import Path

from pipeline.cli.one_ball import OneBall, one_ball
from pipeline.cli.output import messages, warn
from pipeline.geometry.ball.classes import size_classes
from pipeline.geometry.build import SKIN_N
from pipeline.geometry.tooling.skin import skin, write_skin
from pipeline.records.tree import SKIN_PLY


def draw_pictures(
    path: Path,
    results_root: Path,
    pattern: str | None,
    depth: str | None,
    edge_angle: str | None,
    folder: Path | None,
) -> None:
    """Write map.png, sections.png and ball.png of one ball.

    Parameters
    ----------
    path, results_root, pattern, depth, edge_angle
        As for `pipeline.cli.one_ball.one_ball`.
    folder : Path or None
        Where to write; RESULTS/STUDY/drawings/PATTERN/KEY when None.

    Raises
    ------
    InputError
        If the study or an option is wrong.
    """
    from pipeline.report.drawing import save_png, style
    from pipeline.report.layout_pictures import map_figure, section_figure

    found = one_ball(path, results_root, pattern, depth, edge_angle)
    folder = folder or found.results / "drawings" / found.pattern / found.key
    classes = size_classes(found.ball)
    with style():
        save_png(map_figure(found.ball, classes), folder / "map.png")
        save_png(section_figure(found.ball, classes), folder / "sections.png")
    problems = _view(found, folder)
    warn(problems)
    written = ["map.png", "sections.png"] + (["ball.png"] if not problems else [])
    messages().print(f"wrote {', '.join(written)} in {folder}")


def _view(found: OneBall, folder: Path) -> list[str]:
    """Draw ball.png; why it could not be, one line."""
    import tempfile

    from pipeline.report.ball_picture import draw_balls

    with tempfile.TemporaryDirectory(prefix="depthline-") as place:
        surface = Path(place) / SKIN_PLY
        write_skin(surface, skin(found.ball, SKIN_N))
        return draw_balls(
            {folder / "ball.png": surface},
            found.ball.ball_diameter_m,
            float(found.ball.depths_m.max(initial=1e-4)),
        )
