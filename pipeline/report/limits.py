"""Limits of the report's numbers: fidelity, mesh, standard errors, what lies outside the table."""

from pipeline.flow.campaign.provenance import mixed, origin_of
from pipeline.flow.solver.fidelity import fidelity
from pipeline.report.finer_part import sentences
from pipeline.report.inputs import Inputs
from pipeline.report.table import Cell, Table
from pipeline.study.trade_units import NOTHING, millimetres, number, share, unbroken, whole


def limits(inputs: Inputs) -> list[tuple[str, str]]:
    """Return the limits of the numbers: what each is about, and the text."""
    flow = inputs.study.flow
    return [
        (
            "A screening estimate",
            "These numbers rank depths and patterns and choose which prototypes are worth tooling. They do "
            "not replace fired balls.",
        ),
        (f"Flow model {flow.fidelity}", fidelity(flow.fidelity).scope),
        ("Mesh", _mesh(inputs)),
        (
            "Standard errors",
            "Those of the coefficients come from the scatter of the forces within each run and say nothing "
            "of the error of the flow model or of the mesh.",
        ),
        ("Error of the flow model", _model_error(inputs)),
        *_still_dimples(inputs),
        ("Flights outside the table", _outside(inputs)),
        (
            "Total distance",
            "Bounce and roll depend on the turf; total distance is less certain than carry, by three tenths "
            f"of the run (a judgement). {_chosen_by_total(inputs)}",
        ),
        (
            "Firing balls",
            "Balls fired at speed need a guarded range and its operator's rules.",
        ),
        (
            "Conformance",
            "Whether a ball conforms to the rules of the game is for the governing bodies to decide; nothing "
            "here is a conformance test.",
        ),
    ]


def _model_error(inputs: Inputs) -> str:
    flow = inputs.study.flow
    model = fidelity(flow.fidelity).model_error.get(flow.boundary_layer)
    if model is None:
        return "None is known for this model, and none is in the bands."
    correction = inputs.decision.correction
    if correction is not None and correction.applied:
        rest = (
            "" if correction.for_all else " Patterns that were not fired are not corrected and have it still."
        )
        return (
            f"Computed balls are off published ones by about {share(model[0])} of Cd and {share(model[1])} "
            "of Cl. Measured balls have corrected the coefficients; bands have the uncertainty of that "
            f"correction in the place of this error.{rest}"
        )
    return (
        f"Computed balls are off published ones by about {share(model[0])} of Cd and {share(model[1])} of "
        "Cl. Carries and heights have that in their standard errors and bands, the same for all depths and "
        "patterns; best depths and differences hardly feel it."
    )


def _still_dimples(inputs: Inputs) -> list[tuple[str, str]]:
    flow = inputs.study.flow
    if not fidelity(flow.fidelity).still_dimples or not any(flow.spin_ratios):
        return []
    moving = inputs.decision.moving_dimples
    text = (
        "In the runs the surface moves with the spin, but its dimples stay where they are; on a mesh that "
        "turns with the ball dimples keep more of their lift, the deeper the more (docs/validation.md, "
        "Dimples that move). "
    )
    if moving is None or not moving.added:
        return [("Dimples that stand still", text + "Nothing was flown, so nothing was added for it.")]
    low = min(moving.added, key=lambda of: of.depth_m)
    high = max(moving.added, key=lambda of: of.depth_m)
    both = " and ".join(
        f"{of.cd:+.3f} ± {of.cd_sd:.3f} of Cd and {100 * of.cl_share:+.0f} ± {100 * of.cl_share_sd:.0f} % "
        f"of Cl at {millimetres(of.depth_m)}"
        for of in ([low] if low is high else [low, high])
    )
    several = len(inputs.study.patterns) > 1
    correction = inputs.decision.correction
    left = "the uncertainty is in all bands."
    if correction is not None and correction.applied:
        left = "measured balls correct what is left."
    without = "; ".join(
        f"{millimetres(of.best_depth_m)} for {of.golfer}{f' with {of.pattern}' if several else ''}"
        for of in moving.without
    )
    return [
        (
            "Dimples that stand still",
            text
            + f"Flights have what {moving.pairs} pairs of such runs, of other balls, say that moving dimples "
            f"add: {both} (Re {whole(moving.reynolds)}, S {moving.spin_ratio:.2g}); "
            f"{left} Without it the most probable best depths would be {without}. transient-rans computes it "
            "for a pattern of one's own.",
        )
    ]


def _chosen_by_total(inputs: Inputs) -> str:
    names = [golfer.name for golfer in inputs.study.golfers if golfer.aim == "total"]
    return f"Depths are chosen by it for {', '.join(names)}." if names else "No depth is chosen by it."


def _mesh(inputs: Inputs) -> str:
    flow = inputs.study.flow
    level = fidelity(flow.fidelity).level(flow.level)
    cell_m = level.cell_width(inputs.study.ball.diameter_m)
    text = [
        f"The mesh level is {flow.level}: {4 * level.n} cells around the ball, {millimetres(cell_m, 2)} wide"
    ]
    chords = [
        chord
        for found in inputs.totals.values()
        for chord in (found.chord_diameter_min_m, found.chord_diameter_max_m)
        if chord is not None
    ]
    if chords:
        few, many = min(chords) / cell_m, max(chords) / cell_m
        across = f"{few:.1f}" if f"{few:.1f}" == f"{many:.1f}" else f"{few:.1f} to {many:.1f}"
        text.append(f", so that {across} cells lie across a dimple")
    text.append(". ")
    if flow.level == "coarse":
        text.append(
            "That is coarse: a dimple is a few flat facets, and Cd and Cl themselves are not to be "
            "relied on. "
        )
    text.append(
        "All depths of a pattern share one mesh topology, so that part of the mesh error cancels in the "
        "differences between depths. " + _slope_error(inputs)
    )
    finer = inputs.decision.finer_mesh
    corrected = [] if finer is None else [sentences(finer, len(inputs.study.patterns) > 1)]
    pairs = [unbroken(pair.sentence) for pair in inputs.decision.unresolved]
    return " ".join(["".join(text), *corrected, *pairs])


def _slope_error(inputs: Inputs) -> str:
    error, correction = inputs.decision.mesh_error, inputs.decision.correction
    if error is not None and (error.cd_slope or error.cl_slope):
        return (
            "What does not cancel is an error of how fast Cd and Cl change with depth: "
            f"{share(error.cd_slope, 0)} and {share(error.cl_slope, 0)} of it (one standard deviation). Best "
            "depths have it in their intervals; a finer level narrows it."
        )
    if correction is not None and correction.applied:
        return "What does not cancel is part of what measured balls have corrected."
    return "What does not cancel is not known for this flow model, and no error of it is in the bands."


def _outside(inputs: Inputs) -> str:
    flights = inputs.flights
    if flights.empty:
        return "There are no flights."
    flow = inputs.study.flow
    table = (
        f"Reynolds numbers {min(flow.reynolds):g} to {max(flow.reynolds):g} and spin ratios "
        f"{min(flow.spin_ratios):g} to {max(flow.spin_ratios):g}"
    )
    most = float(flights["extrapolated"].max())
    if not most > 0:
        return f"No flight leaves the table ({table})."
    return (
        f"The table covers {table}. Flights spend up to {share(most, 0)} of their time outside it, where the "
        "coefficients at its edge are used (below its lowest spin ratio lift falls to zero with the spin); "
        "the table below flags them."
    )


def outside_table(inputs: Inputs) -> Table | None:
    """Return the shares of the flights outside the coefficient table; None when there is none."""
    flights = inputs.flights
    if flights.empty or not float(flights["extrapolated"].max()) > 0:
        return None
    rows = []
    for golfer in inputs.study.golfers:
        for pattern in inputs.study.patterns:
            of_pair = flights[(flights["golfer"] == golfer.name) & (flights["pattern"] == pattern.name)]
            if of_pair.empty:
                continue
            low, high = float(of_pair["extrapolated"].min()), float(of_pair["extrapolated"].max())
            text = (
                share(high, 0) if share(low, 0) == share(high, 0) else f"{100 * low:.0f} to {share(high, 0)}"
            )
            rows.append([Cell(golfer.name), Cell(pattern.name), Cell(text, "warn" if high > 0 else "")])
    columns = ("Golfer", "Pattern", "Share of the flight time, over the depths")
    return Table("Flight time outside the coefficient table", columns, rows, labels=2)


def rules_table(inputs: Inputs) -> Table | None:
    """Return the Equipment Rules beside our figures; None for a decision that has none."""
    rows = []
    for row in inputs.decision.equipment_rules:
        ours = NOTHING if row.ours is None else number(row.ours, 2 if row.ours_se is None else 1)
        error = "none" if row.ours_se is None else number(row.ours_se, 1)
        mark = "" if row.inside or row.inside is None else "warn"
        ball = "the ball" if row.pattern is None else f"{row.pattern}, {millimetres(row.depth_m)}"
        rows.append(
            [
                Cell(row.rule),
                Cell(ball),
                Cell(f"{number(row.limit, 2)} {row.unit}"),
                Cell(row.source),
                Cell(f"{ours} {row.unit}", mark),
                Cell(error),
                Cell(row.note),
            ]
        )
    columns = ("Rule", "Of", "The rule's number", "Where it is from", "Our figure", "Standard error", "")
    return Table("Equipment Rules beside our figures", columns, rows, labels=2) if rows else None


def symmetry_sentence(inputs: Inputs) -> str:
    """Return whether symmetry is judged, and how."""
    judged = [
        row.pattern
        for row in inputs.decision.equipment_rules
        if row.pattern is not None and row.rule.startswith("symmetry") and row.inside is not None
    ]
    if not judged:
        return "Symmetry is not judged: it takes runs in two orientations of the ball."
    return (
        "Symmetry is judged from the runs of a pattern in two orientations, seam up less pole up, at the "
        "present launch conditions and the depth of the one with its pole up "
        f"({', '.join(dict.fromkeys(judged))})."
    )


def notes(inputs: Inputs) -> list[str]:
    """Return what else should be known: warnings of the study and of runs, mixed versions, holes filled."""
    found = [f"Study: {warning}." for warning in inputs.study.warnings()]
    found += [f"Results: {note}." for note in inputs.notes]
    found += inputs.decision.notes
    if line := mixed(origin_of(result) for result in inputs.runs.values()):
        found.append(f"Versions: {line}.")
    by_warning: dict[str, list[str]] = {}
    for run_id, details in inputs.runs.items():
        for warning in details.warnings:
            by_warning.setdefault(warning, []).append(run_id)
    for warning, runs in by_warning.items():
        where = runs[0] if len(runs) == 1 else f"{len(runs)} runs, {runs[0]} among them"
        found.append(f"Runs: {warning} ({where}).")
    return found
