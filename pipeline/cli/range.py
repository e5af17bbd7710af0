"""`depthline range`: firings simulated and reduced."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rich.table import Table

from pipeline.cli.output import messages, print_json, shown_progress, tables, warn
from pipeline.errors import InputError
from pipeline.study.trade_units import (
    breakable,
    flight_m,
    flight_unit,
    shown,
    shown_in,
    yards_cell,
    yards_only,
)
from pipeline.study.units import ANGLE, SPEED, SPIN, Kind, QuantityError, in_unit, parse_quantity

if TYPE_CHECKING:
    from pipeline.flight.trajectory import Launches
    from pipeline.range.plan import Plan
    from pipeline.range.record import ReductionRecord

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
    record = summary(reduction, fired, files, found, needed, of, carried)
    folder = out or Path("results") / "range" / Path(files[0]).stem
    write_results(folder, reduction, fired, estimates, gates, of, record)
    words = ", ".join(launch.values())
    page = write_page(folder, reduction, fired, estimates, gates, needed, found, carried, words)
    warn(reduction.notes)
    if as_json:
        print_json(record.content() | {"version": record.version, "report": str(page)})
        return
    _print(record)
    for one in found:
        messages().print(f"{one.kind}: {one.text}")
    messages().print(f"wrote {page}; {record.caution}")


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


def _print(record: "ReductionRecord") -> None:
    table = Table(title="Carry of the launch, with measured drag and lift")
    heads = (
        "pattern", "balls", "shots", "carry, yd (m)", "90 % interval, yd", "peak height, yd (m)", "outside",
    )  # fmt: skip
    for head in heads:
        table.add_column(shown(head), justify="left" if head == "pattern" else "right")
    for row, of in zip(record.carry, record.patterns, strict=True):
        table.add_row(
            row.pattern, str(of.balls), str(of.shots), yards_cell(row.carry_m),
            f"{row.carry_lo_m / flight_m():.1f} to {row.carry_hi_m / flight_m():.1f}",
            yards_cell(row.peak_height_m),
            f"{100 * row.extrapolated:.0f} %",
        )  # fmt: skip
    tables().print(table)


def plan_range(
    path: Path, results_root: Path, reference: Path | None, arrangement: str, error: str, ball_scatter: float,
    out: Path | None, seed: int, as_json: bool, units: str | None = None,
) -> None:  # fmt: skip
    """Design a firing of a study's short list beside a reference ball; write sheet and empty CSV.

    Raises
    ------
    InputError
        An option or a file is wrong, or the study has no short list to fire.
    """
    from dataclasses import replace

    from pipeline.aero.table_file import read_table
    from pipeline.aero.tables_of_file import read_tables
    from pipeline.cli.study_input import read_study
    from pipeline.decide.flights.conditions import scenarios_of
    from pipeline.decide.flights.golfer import as_flown
    from pipeline.flight.trajectory import Launches
    from pipeline.range.invented import ARRANGEMENTS, Scatter, quoted_table
    from pipeline.range.plan import Candidate, plan, write_empty_firings
    from pipeline.range.sheet import write_sheet
    from pipeline.records.decision import Decision
    from pipeline.records.record import read
    from pipeline.records.tree import DECISION, TABLES
    from pipeline.study.units import LENGTH

    if arrangement not in ARRANGEMENTS:
        raise InputError(f"--arrangement: {arrangement}: is none; write {' or '.join(ARRANGEMENTS)}")
    try:
        wanted_m = parse_quantity(error, LENGTH)
    except QuantityError as wrong:
        raise InputError(f"--error: {error}: {wrong}") from None
    if not 0.1 <= wanted_m <= 20.0:
        raise InputError(f"--error: {error}: is outside 0.1 m to 20 m")
    study = read_study(path)
    folder = results_root / study.name
    listed = read(folder / DECISION, Decision).product.short_list
    if not listed:
        raise InputError(f"{folder / DECISION}: has no short list of prototypes; compute the study first")
    found, _ = read_tables(folder / TABLES)
    candidates = []
    for one in listed:
        own = [of for of in found if of.pattern == one.pattern and of.depth_m is not None]
        nearest = min(own, key=lambda of: abs((of.depth_m or 0.0) - one.depth_m))
        name = f"{one.pattern} {1e3 * one.depth_m:.2f} mm"
        candidates.append(Candidate(name, one.depth_m, nearest.table))
    known = quoted_table() if reference is None else read_table(reference)
    stands = Candidate("reference" if reference is None else reference.stem, float("nan"), known)
    launches = Launches(*zip(*(as_flown(golfer).mean.tolist() for golfer in study.golfers), strict=True))
    scatter = replace(Scatter(), ball_cd=ball_scatter, ball_cl=ball_scatter)
    gates, conditions = ARRANGEMENTS[arrangement](), scenarios_of(study)[0].conditions
    with shown_progress("simulating firings") as progress:
        of = plan(stands, candidates, gates, scatter, launches, conditions, wanted_m, seed, progress=progress)
    target = out or folder / "firing"
    depths = {one.name: one.depth_m for one in (stands, *candidates)}
    write_empty_firings(target / "firings.csv", of, gates, depths)
    with shown_in(units or study.units, study):
        sheet = write_sheet(target / "sheet.html", of, wanted_m)
    result = {
        "balls": of.balls, "shots": len(of.order), "speed_m_s": list(of.programme.speed_m_s),
        "spin_rad_s": list(of.programme.spin_rad_s), "wanted_se_m": wanted_m, "reached": of.reached,
        "se_m": of.se_m, "checked_error_m": of.found_m, "sheet": str(sheet),
        "firings": str(target / "firings.csv"),
    }  # fmt: skip
    if as_json:
        print_json(result)
        return
    with shown_in(units or study.units, study):
        _print_plan(of, wanted_m)
    messages().print(f"wrote {sheet} and {target / 'firings.csv'}")


def _print_plan(of: "Plan", wanted_m: float) -> None:
    unit = flight_unit()
    table = Table(title=f"{of.balls} balls of each kind, {len(of.order)} shots")
    for head in (
        "prototype",
        f"standard error of the difference in carry, {unit}",
        f"found in simulated ranges, {unit}",
    ):
        table.add_column(head, justify="left" if head == "prototype" else "right")
    for name, se in of.se_m.items():
        table.add_row(name, f"{se / flight_m():.2f}", f"{of.found_m[name] / flight_m():.2f}")
    tables().print(table)
    if not of.reached:
        wanted = breakable(yards_only(wanted_m, 2))
        warn([f"{wanted} is not reached with {of.balls} balls of each kind: the scatter of balls decides"])
