"""What all HTML pages share: pictures inside the file, and a template rendered to one file."""

import base64
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.files.atomic import atomic_open, write_text
from pipeline.report.drawing import inline_svg, save_png, settle
from pipeline.study.trade_units import shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Picture:
    """A picture of the page: `markup` is an SVG element, or the address (data:) of a PNG."""

    markup: str
    caption: str


class Figures:
    """The folder of figures: saves each as PNG and returns it for the page.

    Parameters
    ----------
    folder : Path
        Where the PNG files go.
    ours : tuple of str
        Patterns of their names, so that those of an earlier page can be removed.
    """

    def __init__(self, folder: Path, ours: tuple[str, ...]) -> None:
        self.folder = folder
        self.written: set[str] = set()
        self._ours = ours

    def keep(self, draw: Callable[[], "Figure"], name: str, caption: str) -> Picture:
        """Draw a figure, save it as NAME.png and return it as SVG."""
        figure = draw()
        settle(figure)
        save_png(figure, self.folder / f"{name}.png")
        self.written.add(f"{name}.png")
        return Picture(inline_svg(figure, name, caption), caption)

    def keep_png(self, png: bytes, name: str, caption: str, pixels: int | None = None) -> Picture:
        """Save a PNG as NAME.png and return it as a data address.

        With `pixels` the page gets it in that width and in 128 colours, a quarter of its size.
        """
        with atomic_open(self.folder / f"{name}.png") as stream:
            stream.write(png)
        self.written.add(f"{name}.png")
        if pixels is not None:
            png = _smaller(png, pixels)
        return Picture(f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}", caption)

    def remove_stale(self) -> None:
        """Remove figures of an earlier report that this one has not."""
        for pattern in self._ours:
            for path in self.folder.glob(pattern):
                if path.name not in self.written:
                    path.unlink(missing_ok=True)


def _smaller(png: bytes, pixels: int) -> bytes:
    """A PNG in another width, with a palette."""
    from PIL import Image

    image = Image.open(io.BytesIO(png)).convert("RGB")
    image = image.resize((pixels, round(pixels * image.height / image.width)), Image.Resampling.LANCZOS)
    small = io.BytesIO()
    image.quantize(128).save(small, format="png", optimize=True)
    return small.getvalue()


def _in_shown_units(value: object) -> object:
    """Texts of the page in the units that are shown; markup (figures, scripts) is what it is."""
    return shown(value) if type(value) is str else value


def render(template: Path, values: dict[str, object]) -> str:
    """Render an HTML template, which may import `parts.html.j2`; a name that it does not get is an error."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader([template.parent, Path(__file__).parent]),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_in_shown_units,
    )
    return environment.get_template(template.name).render(values)


def write_page(path: Path, template: Path, values: dict[str, object]) -> None:
    """Render a template to an HTML file, atomically."""
    write_text(path, render(template, values))
