"""Compares balls of a study with the Equipment Rules: mass, diameter, overall distance, symmetry."""

from collections.abc import Mapping

import numpy as np

from pipeline.aero.model import CoefficientModel
from pipeline.decide.flights.conditions import SEED, conditions_of
from pipeline.decide.flights.population import fly_shot
from pipeline.decide.flights.station import stated_errors
from pipeline.flight.trajectory import Conditions, Launches
from pipeline.records.decision import RuleRow
from pipeline.study.model import LARGEST_MASS_KG, SMALLEST_DIAMETER_M, Study
from pipeline.study.units import YARD_M

MPH_M_S = 0.44704
OVERALL_DISTANCE_YD = 317.0
OVERALL_DISTANCE_TOLERANCE_YD = 3.0
"""Greatest overall distance, carry and roll, and its tolerance: 317 yd and 3 yd, the same at both launch
conditions (Equipment Rules, the governing bodies' statement of December 2023 [quoted])."""

LAUNCHES = {
    "overall distance, present conditions": (176.0, 10.0, 2520.0),
    "overall distance, conditions from January 2028": (183.0, 11.0, 2220.0),
}
"""Ball speed [mph], launch angle [deg] and backspin [rpm] of the tests.

Present: 120 mph of clubhead, 10 deg, 42 revolutions a second, which are 2,520 rpm (proposal of 2002 and
statement of December 2023 [quoted]). From January 2028: 125 mph of clubhead, 11 deg, 2,220 rpm, which are 37
revolutions a second (the same statement [quoted]; some who quote it have 2,200 rpm, which is no whole number
of revolutions). The ball speeds are those that the statement gives for the clubhead speeds. Not confirmed in
the Equipment Rules themselves."""

SOURCES = {
    "mass, at most": "1.620 oz, 45.93 g [source]",
    "diameter, at least": "1.680 in, 42.67 mm [source]",
    **dict.fromkeys(LAUNCHES, "317 yd and 3 yd of tolerance [quoted]"),
    "symmetry, difference of carry, at most": "4.0 yd [memory]",
    "symmetry, difference of flight time, at most": "0.40 s [memory]",
}
"""Where each rule's number comes from: read in the rules [source], in another place that quotes them
[quoted], or from memory and not confirmed [memory]."""

CARRY_LIMIT_YD, TIME_LIMIT_S = 4.0, 0.40
"""Greatest differences of carry and flight time between two spin axes (Equipment Rules [memory])."""

DRAWS = 200
"""Of the coefficients."""

DECIDES = "The governing body decides."


def equipment_rules(
    study: Study, models: Mapping[str, CoefficientModel], depth_m: Mapping[str, float]
) -> list[RuleRow]:
    """Set the rules beside the study's figures.

    Parameters
    ----------
    study : Study
        Ball, air, mesh error.
    models : mapping
        Coefficients by pattern.
    depth_m : mapping
        Depth that each pattern is flown at [m].

    Returns
    -------
    list of RuleRow
        rule, pattern (None for the ball itself), depth_m, unit, limit, ours, ours_se (None where nothing
        uncertain is in it), inside (None where our figure is not finite), source (of the limit, see
        `SOURCES`), note. Mass [g] and diameter [mm] are the study's; the overall distance [yd] is flown at
        both launch conditions in the study's air, without wind, and includes bounce and roll, which are much
        less certain than the standard error says. Symmetry is judged where two patterns of the study differ
        in their orientation alone: differences of carry [yd] and flight time [s], seam up less pole up, at
        the present launch conditions and the depth of the one with its pole up, draw by draw, so that what
        both share cancels.
    """
    mass, diameter = 1e3 * study.ball.mass_kg, 1e3 * study.ball.diameter_m
    rows = [
        _row(
            "mass, at most", None, None, "g", 1e3 * LARGEST_MASS_KG, mass, None,
            mass <= 1e3 * LARGEST_MASS_KG,
        ),
        _row(
            "diameter, at least", None, None, "mm", 1e3 * SMALLEST_DIAMETER_M, diameter, None,
            diameter >= 1e3 * SMALLEST_DIAMETER_M,
        ),
    ]  # fmt: skip
    conditions = conditions_of(study)
    still = type(conditions)(conditions.ball_diameter_m, conditions.ball_mass_kg, conditions.air)
    limit = OVERALL_DISTANCE_YD + OVERALL_DISTANCE_TOLERANCE_YD
    for rule, (speed, angle, spin) in LAUNCHES.items():
        shot = Launches(speed * MPH_M_S, np.radians(angle), spin * np.pi / 30.0)
        for pattern, depth in depth_m.items():
            stated = stated_errors(study, [models[pattern]])
            mean, drawn = fly_shot(models[pattern], depth, shot, still, DRAWS, SEED, stated)
            total, error = float(mean.total_m[0]), float(np.nanstd(drawn.total_m[0], ddof=1))
            finite = bool(np.isfinite(total))
            rows.append(
                _row(
                    rule, pattern, depth, "yd", limit,
                    total / YARD_M if finite else None, error / YARD_M if finite else None,
                    total / YARD_M <= limit if finite else None,
                )
            )  # fmt: skip
    for pole, seam in oriented_pairs(study):
        rows += _symmetry_rows(study, models, pole, seam, depth_m[pole], still)
    return rows


def oriented_pairs(study: Study) -> list[tuple[str, str]]:
    """Names of patterns that differ in orientation alone: pole up first, seam up second."""
    pairs = []
    for pole in study.patterns:
        for seam in study.patterns:
            apart = (pole.layout.orientation, seam.layout.orientation) == ("pole-up", "seam-up")
            turned = seam.layout.model_copy(update={"orientation": "pole-up"})
            if apart and seam.model_copy(update={"name": pole.name, "layout": turned}) == pole:
                pairs.append((pole.name, seam.name))
    return pairs


def _symmetry_rows(
    study: Study,
    models: Mapping[str, CoefficientModel],
    pole: str,
    seam: str,
    depth: float,
    still: Conditions,
) -> list[RuleRow]:
    speed, angle, spin = next(iter(LAUNCHES.values()))
    shot = Launches(speed * MPH_M_S, np.radians(angle), spin * np.pi / 30.0)
    (up, up_drawn), (over, over_drawn) = (
        fly_shot(models[name], depth, shot, still, DRAWS, SEED, stated_errors(study, [models[name]]))
        for name in (pole, seam)
    )
    rows = []
    for words, name, unit, limit, scale in (
        ("carry", "carry_m", "yd", CARRY_LIMIT_YD, YARD_M),
        ("flight time", "time_s", "s", TIME_LIMIT_S, 1.0),
    ):
        step = float(getattr(over, name)[0] - getattr(up, name)[0]) / scale
        steps = (getattr(over_drawn, name)[0] - getattr(up_drawn, name)[0]) / scale
        finite = bool(np.isfinite(step))
        rows.append(
            _row(
                f"symmetry, difference of {words}, at most", seam, depth, unit, limit,
                step if finite else None, float(np.nanstd(steps, ddof=1)) if finite else None,
                abs(step) <= limit if finite else None,
            )
        )  # fmt: skip
    return rows


def _row(
    rule: str,
    pattern: str | None,
    depth_m: float | None,
    unit: str,
    limit: float,
    ours: float | None,
    ours_se: float | None,
    inside: bool | None,
) -> RuleRow:
    return RuleRow(
        rule=rule, pattern=pattern, depth_m=depth_m, unit=unit, limit=limit, ours=ours, ours_se=ours_se,
        inside=inside, source=SOURCES[rule], note=DECIDES,
    )  # fmt: skip
