"""Paths for the solver, which accepts no blanks or quotes: it works through a link that has none."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.errors import InputError

QUOTES = "\"'"


def fits_solver(path: Path) -> bool:
    """Whether the solver accepts a path: its file names hold neither blanks nor quotes."""
    return not any(letter.isspace() or letter in QUOTES for letter in str(Path(path).resolve()))


def check_solver_path(folder: Path) -> None:
    """Refuse a folder in which the solver could not work, not even through a link.

    Raises
    ------
    InputError
        As for `solver_path`.
    """
    root = Path(tempfile.gettempdir())
    if not fits_solver(folder) and not fits_solver(root):
        raise InputError(
            f"{Path(folder).resolve()}: has a blank or a quote, which the solver does not accept, and so has "
            f"{root}, where a link without them would go; use --results with another path, or set TMPDIR"
        )


@contextmanager
def solver_path(folder: Path) -> Iterator[Path]:
    """Give a folder a path that the solver accepts, while the block lasts.

    Parameters
    ----------
    folder : Path
        Folder of a case.

    Yields
    ------
    Path
        The folder itself, or a link to it in the folder of temporary files (`TMPDIR`), which must be seen by
        all MPI ranks: they run on one node.

    Raises
    ------
    InputError
        If the path of temporary files has a blank or a quote too.
    """
    if fits_solver(folder):
        yield folder
        return
    check_solver_path(folder)
    with tempfile.TemporaryDirectory(prefix="depthline-") as place:
        link = Path(place) / "case"
        link.symlink_to(Path(folder).resolve(), target_is_directory=True)
        yield link


def work_folder(path: Path) -> Path:
    """Working folder in which to start the solver on a path of `solver_path`: the present one, if it fits.

    The solver takes its working folder for a file name of its own, so that one with blanks ends it as well.
    It asks the environment for it (`PWD`), which must therefore say the same.
    """
    here = Path.cwd()
    return here if fits_solver(here) else path.parent
