"""The folder of a shelf: its balls read, found by name, and added."""

import difflib
from collections.abc import Iterable, Sequence
from pathlib import Path

from pipeline.errors import InputError
from pipeline.files.columns import Problems
from pipeline.shelf.ball import ShelfBall
from pipeline.shelf.ball_file import read_ball, write_ball

MOST_BALLS = 5000


def ball_path(shelf: Path, name: str) -> Path:
    """File of a ball."""
    return Path(shelf) / f"{name}.csv"


def read_shelf(shelf: Path, names: Iterable[str] | None = None) -> list[ShelfBall]:
    """Read balls of a shelf.

    Parameters
    ----------
    shelf : Path
        Folder with a file a ball; other files than .csv are passed over.
    names : iterable of str, optional
        Balls wanted; all, by name, when absent.

    Returns
    -------
    list of ShelfBall
        In the order wanted.

    Raises
    ------
    InputError
        The folder or a ball is missing, or files are wrong: every fault of all of them.
    """
    shelf = Path(shelf)
    there = names_on(shelf)
    problems = Problems()
    wanted = there if names is None else list(names)
    for name in wanted:
        if name not in there:
            problems.lines.append(absent(shelf, name, there))
    balls = [read_ball(ball_path(shelf, name), problems) for name in wanted if name in there]
    problems.refuse()
    return [ball for ball in balls if ball is not None]


def names_on(shelf: Path) -> list[str]:
    """Names of the balls of a shelf.

    Raises
    ------
    InputError
        There is no such folder, or it holds far more files than a shelf.
    """
    if not Path(shelf).is_dir():
        raise InputError(f"{shelf}: there is no such folder; depthline shelf add makes a shelf")
    found = sorted(path.stem for path in Path(shelf).glob("*.csv"))
    if len(found) > MOST_BALLS:
        raise InputError(f"{shelf}: has {len(found)} CSV files; a shelf has at most {MOST_BALLS} balls")
    return found


def absent(shelf: Path, name: str, there: Sequence[str]) -> str:
    """What to say of a ball that is not on the shelf."""
    near = difflib.get_close_matches(name, there, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"it has {', '.join(there[:10]) or 'none'}"
    return f"{shelf}: has no ball {name}; {hint}"


def add_balls(shelf: Path, balls: Sequence[ShelfBall], replace: bool = False) -> list[Path]:
    """Put balls on a shelf.

    Parameters
    ----------
    shelf : Path
        Folder, made when missing.
    balls : sequence of ShelfBall
        What to add; all or none are.
    replace : bool
        Whether balls of the same names are replaced.

    Returns
    -------
    list of Path
        Their files.

    Raises
    ------
    InputError
        Names that are there already, or that two of the balls share.
    """
    files = [ball_path(shelf, ball.name) for ball in balls]
    names = [ball.name for ball in balls]
    problems = [
        f"{name}: two balls would have this name" for name in {n for n in names if names.count(n) > 1}
    ]
    if not replace:
        problems += [
            f"{file}: is there already; name another, or --replace it" for file in files if file.exists()
        ]
    if problems:
        raise InputError("\n".join(sorted(problems)))
    Path(shelf).mkdir(parents=True, exist_ok=True)
    for ball, file in zip(balls, files, strict=True):
        write_ball(ball, file)
    return files
