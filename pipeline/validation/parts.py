"""Parts of `depthline verify` by name: what each computes and costs."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from pipeline.errors import InputError
from pipeline.validation import (
    depth,
    dimpled,
    flown,
    levels,
    published_balls,
    reference,
    shedding,
    sphere,
    sphere_errors,
)
from pipeline.validation.bench import Bench
from pipeline.validation.rows import Row


@dataclass(frozen=True)
class Part:
    """A part of the suite.

    Attributes
    ----------
    name : str
        As `depthline verify` takes it.
    about : str
        What it computes, in one line.
    core_minutes : float
        What it costs when nothing is there yet, measured.
    rows : callable
        Computes what it needs on a bench and gives its rows.
    """

    name: str
    about: str
    core_minutes: float
    rows: Callable[[Bench], list[Row]]


PARTS = {
    part.name: part
    for part in (
        Part("sphere", "sphere at rest, Re 20 to 250: drag, separation, wake, lift", 2.0, sphere.at_rest),
        Part("spin", "sphere spinning at Re 100: drag and lift", 0.5, sphere.spinning),
        Part("domain", "distance of the far boundary, Re 100", 0.6, sphere_errors.domain),
        Part("order", "order of accuracy from three meshes, Re 100", 5.0, sphere_errors.order),
        Part("shedding", "unsteady wakes at Re 300, at rest and spinning", 45.0, shedding.shedding),
        Part("step", "halved time step at Re 300", 8.0, shedding.time_step),
        Part("tripped", "dimpled ball, tripped, against published drag and lift", 10.0, dimpled.tripped_part),
        Part("turbulent", "the same flows without a trip", 25.0, dimpled.turbulent_part),
        Part("levels", "dimpled ball on three meshes", 30.0, levels.levels),
        Part("depth", "steps of depth on one grid, on two meshes", 30.0, depth.paired),
        Part("depth-fine", "the same on the fine mesh", 60.0, depth.paired_fine),
        Part("jitter", "the same balls on grids that are turned", 15.0, depth.jittered),
        Part("smooth", "a ball that is never tripped, flown", 15.0, flown.smooth),
        Part("orientation", "pole up against seam up, flown", 15.0, flown.orientation),
        Part("published", "published balls, each computed as itself", 120.0, published_balls.published),
        Part("transient", "detached eddies against the steady model", 240.0, reference.transient),
    )
}

CHEAP_MINUTES = 2.5
"""Parts that cost no more are what `depthline verify` computes when none is named."""


def parts(names: Iterable[str]) -> list[Part]:
    """Parts by name; the cheap ones without a name.

    Raises
    ------
    InputError
        If there is no such part.
    """
    wanted = list(dict.fromkeys(names))
    for name in wanted:
        if name not in PARTS:
            raise InputError(f"verify: {name}: no such part; use some of {', '.join(PARTS)}")
    if not wanted:
        return [part for part in PARTS.values() if part.core_minutes <= CHEAP_MINUTES]
    return [PARTS[name] for name in wanted]
