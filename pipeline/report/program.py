"""The page's own program: chart library, scripts and data, as they stand inside one HTML file."""

import base64
import gzip
import importlib.util
import json
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup

SCRIPTS = (
    "flight.js", "charts.js", "depth.js", "coefficients.js", "shots.js", "ball.js", "runs.js", "copy.js",
    "fold.js",
)  # fmt: skip
"""In the order in which they run, all before the chart library is there; `start.js` starts them."""

_FOLDER = Path(__file__).with_name("scripts")


@cache
def library() -> Markup:
    """Chart library (plotly.js, from its Python package), compressed and in base64: 2 MB instead of 5."""
    package = importlib.util.find_spec("plotly")
    if package is None or package.origin is None:
        raise ModuleNotFoundError("the package plotly is missing; ./run installs it")
    source = Path(package.origin).parent / "package_data" / "plotly.min.js"
    packed = gzip.compress(source.read_bytes(), mtime=0)
    return Markup(base64.b64encode(packed).decode("ascii"))


def scripts() -> Markup:
    """Scripts of the page, one function that `start.js` calls, and that."""
    parts = [(_FOLDER / name).read_text(encoding="utf-8") for name in SCRIPTS]
    body = "\n".join(part.replace('"use strict";\n', "", 1) for part in parts)
    start = (_FOLDER / "start.js").read_text(encoding="utf-8")
    run = "window.page = {Flight, Page};\nPage.begin(unpackLibrary);"
    return Markup(f'"use strict";\nfunction startPage(unpackLibrary) {{\n{body}\n{run}\n}}\n{start}')


def as_json(value: Any) -> Markup:
    """JSON inside a script element: no text in it can end the element; NaN is refused."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c"))
