"""`depthline range`: firings simulated and reduced."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.table import Table

from pipeline.cli.output import messages, print_json, shown_progress, tables, warn
from pipeline.errors import InputError
from pipeline.study.units import ANGLE, SPEED, SPIN, Kind, QuantityError, in_unit, parse_quantity

if TYPE_CHECKING:
    from pipeline.flight.trajectory import Launches

DRAWS, SEED = 400, 1
"""Draws of the coefficients that are flown, and their seed."""

_OF_LAUNCH = {
    "--speed": (SPEED, 5.0, 120.0),
    "--angle": (ANGLE, -0.1745, 1.048),
    "--spin": (SPIN, 0.0, 1571.0),
}


def simulate_range(
    out: Path, arrangement: str, truth: Sequence[Path], balls: int, shots: int, upright: int, speeds: str,
    spins: str, bad_gates: float, perfect: bool, seed: int,
) -> None:  # fmt: skip
    """Write invented firings.

    Raises
    ------
    InputError
        An option or a table is wrong; every wrong option is reported.
    """
    import math
    from dataclasses import replace

    from pipeline.aero.table_file import read_table
    from pipeline.range.firings import write_firings
    from pipeline.range.invented import ARRANGEMENTS, Kind, Programme, Scatter, of_table, quoted_ball
    from pipeline.range.simulate import simulate

    problems: list[str] = []
    if arrangement not in ARRANGEMENTS:
        problems.append(f"--arrangement: {arrangement}: is none; write {' or '.join(ARRANGEMENTS)}")
    speed = _numbers("--speeds", speeds, 5.0, 95.0, "m/s", problems)
    spin = _numbers("--spins", spins, 0.0, 12000.0, "rpm", problems)
    if problems:
        raise InputError("\n".join(problems))
    kinds = [Kind("quoted", quoted_ball, balls=balls)]
    if truth:
        names = [path.stem for path in truth]
        if len(set(names)) < len(names):
            raise InputError("--truth: two tables have one file name, which names the pattern; rename one")
        kinds = [Kind(path.stem, of_table(read_table(path)), balls=balls) for path in truth]
    scatter = Scatter.none() if perfect else replace(Scatter(), bad_gates=bad_gates)
    programme = Programme(speed, tuple(rpm * math.pi / 30 for rpm in spin), shots, upright)
    fired = simulate(kinds, ARRANGEMENTS[arrangement](), programme, scatter, seed)
    header = [
        "INVENTED firings, simulated by Depthline: no ball was fired.",
        f"arrangement {arrangement}, seed {seed}, {balls} balls of each pattern, bad gates {bad_gates:g}, "
        f"{'no errors' if perfect else 'errors as its columns state'}",
    ]
    write_firings(out, fired, header, digits=15 if perfect else 10)
    messages().print(f"wrote {out}: {len(fired.shots)} invented shots, {len(fired.gates)} rows")


def _numbers(
    option: str, text: str, low: float, high: float, unit: str, problems: list[str]
) -> tuple[float, ...]:
    values = []
    for word in text.replace(",", " ").split():
        try:
            value = float(word)
        except ValueError:
            value = float("nan")
        if low <= value <= high:
            values.append(value)
        else:
            problems.append(f"{option}: {word}: is not a number from {low:g} to {high:g} {unit}")
    if not values and not problems:
        problems.append(f'{option}: names none; write for instance "{low:g} {high:g}"')
    return tuple(values)


def reduce_range(
    files: Sequence[Path], sheet: Path | None, drag: str | None, lift: str | None,
    launch: Mapping[str, str], out: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Reduce firings, write results and page, and print what was found.

    Raises
    ------
    InputError
        A file or an option is wrong: every fault of all files at once.
    """
    from pipeline.flight.air import air_from
    from pipeline.flight.trajectory import Conditions
    from pipeline.range.ball_sheet import read_ball_sheet
    from pipeline.range.diagnosis import findings
    from pipeline.range.firings import read_firings
    from pipeline.range.measures import gate_summaries, needs, shot_estimates
    from pipeline.range.page import write_page
    from pipeline.range.reduce import reduce
    from pipeline.range.results import carries, summary, write_results
    from pipeline.range.tables import pattern_table
    from pipeline.range.terms import parse_terms

    drag_terms = None if drag is None else parse_terms(drag, "--drag")
    lift_terms = None if lift is None else parse_terms(lift, "--lift")
    flown = _launch(launch)
    balls = read_ball_sheet(sheet) if sheet is not None else {}
    fired = read_firings(files, balls)
    with shown_progress(f"reducing {len(fired.shots)} shots") as progress:
        reduction = reduce(fired, drag_terms, lift_terms, progress)
    estimates, gates = shot_estimates(reduction), gate_summaries(reduction, fired)
    needed = needs(reduction, gates, estimates)
    found = findings(reduction, fired, estimates)
    draws = reduction.common.draws(DRAWS, SEED)
    of = [pattern_table(reduction, k, draws) for k in range(len(reduction.data.patterns))]
    carried = carries(of, flown, Conditions(0.04267, 0.04593, air_from(293.15, 101325.0, 0.5)))
    written = summary(reduction, fired, files, found, needed, of, carried)
    folder = out or Path("results") / "range" / Path(files[0]).stem
    write_results(folder, reduction, fired, estimates, gates, of, written)
    words = ", ".join(launch.values())
    page = write_page(folder, reduction, fired, estimates, gates, needed, found, carried, words)
    warn(reduction.notes)
    if as_json:
        print_json(written | {"report": str(page)})
        return
    _print(carried, written)
    for one in found:
        messages().print(f"{one.kind}: {one.text}")
    messages().print(f"wrote {page}; {written['caution']}")


def _launch(options: Mapping[str, str]) -> "Launches":
    from pipeline.flight.trajectory import Launches

    values, problems = [], []
    for option, text in options.items():
        kind, low, high = _OF_LAUNCH[option]
        try:
            value = parse_quantity(text, kind)
            if not low <= value <= high:
                problems.append(f"{option}: {text}: is outside {_limits(kind, low, high)}")
            values.append(value)
        except QuantityError as error:
            problems.append(f"{option}: {text}: {error}")
    if problems:
        raise InputError("\n".join(problems))
    return Launches(*values)


def _limits(kind: Kind, low: float, high: float) -> str:
    unit = kind.units[0]
    return f"{in_unit(low, kind, unit):.0f} to {in_unit(high, kind, unit):.0f} {unit}"


def _print(carried: Sequence[Mapping[str, Any]], written: Mapping[str, Any]) -> None:
    table = Table(title="Carry of the launch, with measured drag and lift")
    for head in ("pattern", "balls", "shots", "carry, m", "90 % interval, m", "peak height, m", "outside"):
        table.add_column(head, justify="left" if head == "pattern" else "right")
    for row, of in zip(carried, written["patterns"], strict=True):
        table.add_row(
            row["pattern"], str(of["balls"]), str(of["shots"]), f"{row['carry_m']:.1f}",
            f"{row['carry_lo_m']:.1f} to {row['carry_hi_m']:.1f}", f"{row['peak_height_m']:.1f}",
            f"{100 * row['extrapolated']:.0f} %",
        )  # fmt: skip
    tables().print(table)
