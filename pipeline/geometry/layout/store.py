"""Store of layouts that the optimiser found, by the key of what was asked, so that none is sought twice.

Below the folder that holds all studies, `.layouts/` has one CSV a layout. It may be removed at any time. What
cannot be written or read there is sought again; a store never makes a command fail.
"""

import functools
import hashlib
import json
from pathlib import Path

from pipeline.errors import InputError
from pipeline.geometry.layout.file import read_layout, write_layout
from pipeline.geometry.layout.layout import Layout
from pipeline.records.geometry import LayoutInputs
from pipeline.records.tree import LAYOUTS


def recall(root: Path, spec: LayoutInputs) -> Layout | None:
    """Return a layout that was kept.

    Parameters
    ----------
    root : Path
        Folder of all results.
    spec : LayoutInputs
        What was asked; names in it do not matter.

    Returns
    -------
    Layout or None
        As `read_layout` reads it, of symmetry ``none``; None when it is not there or spoilt.
    """
    try:
        return read_layout(_entry(root, spec), spec.ball_diameter_m)
    except (InputError, OSError):
        return None


def remember(root: Path, spec: LayoutInputs, layout: Layout) -> None:
    """Keep a layout, where that can be done; see `recall` for the parameters."""
    try:
        write_layout(_entry(root, spec), layout)
    except OSError:
        return


def _entry(root: Path, spec: LayoutInputs) -> Path:
    asked = {name: value for name, value in spec.content().items() if name != "pattern"}
    text = json.dumps([asked, _code()], sort_keys=True)
    key = hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
    return Path(root) / LAYOUTS / key[:2] / f"{key}.csv"


@functools.cache
def _code() -> str:
    """Fingerprint of the sources that find layouts."""
    digest = hashlib.blake2b(digest_size=16)
    for path in sorted(Path(__file__).parents[1].rglob("*.py")):
        digest.update(f"{path.name}\0".encode() + path.read_bytes())
    return digest.hexdigest()
