"""Faults of firings in words with numbers: late gates, swapped units, wrong masses, launch speeds."""

import math
from typing import NamedTuple

import numpy as np

from pipeline.range.firings import Firings
from pipeline.range.judging import FAR
from pipeline.range.measures import ShotEstimates
from pipeline.range.reduce import Reduction

_UNIT_RATIOS = {
    "mph read as m/s": 1 / 0.44704,
    "m/s read as mph": 0.44704,
    "ft/s read as m/s": 1 / 0.3048,
    "m/s read as ft/s": 0.3048,
    "km/h read as m/s": 3.6,
    "m/s read as km/h": 1 / 3.6,
    "mph read as km/h": 1 / 1.609344,
    "km/h read as mph": 1.609344,
}
_SPIN_RATIOS = {"rad/s read as rpm": math.pi / 30, "rpm read as rad/s": 30 / math.pi}


class Finding(NamedTuple):
    """Something that is wrong, or worth knowing: what kind, and a sentence."""

    kind: str
    text: str


def findings(reduction: Reduction, firings: Firings, estimates: ShotEstimates) -> list[Finding]:
    """Everything that is wrong, the worst first."""
    found = [
        *_late(reduction),
        *_bad_counts(reduction, firings),
        *_units(reduction, firings),
        *_spins(reduction, firings, estimates),
        *_masses(reduction, estimates),
        *_far_shots(reduction, firings, estimates),
        *_lift(reduction, estimates),
        *_tilt(reduction),
        *_noise(reduction),
        *_scatter(reduction),
        *_fit(reduction, estimates),
    ]
    return found


def _late(reduction: Reduction) -> list[Finding]:
    speed = float(np.median(reduction.point.own[:, 3]))
    return [
        Finding(
            "mis-timed gate",
            f"The gate at {name} is {1e6 * late:+.1f} us late for all shots (or {1e3 * late * speed:+.2f} mm "
            "further than stated): left out. Measure its place and its delay.",
        )
        for name, late in reduction.late_gates.items()
    ]


def _bad_counts(reduction: Reduction, firings: Firings) -> list[Finding]:
    data = reduction.data
    late = np.zeros(len(data.position), bool)
    out = (reduction.kept[:, 0] == 0) & np.isfinite(reduction.linear.residual[:, 0])
    out &= reduction.shot_kept[data.shot_of_row] & ~late & (np.abs(reduction.deviation[:, 0]) > FAR - 1)
    rows = np.flatnonzero(out)
    if reduction.late_gates or not len(rows):
        rows = rows if not reduction.late_gates else rows[:0]
    if not len(rows):
        return []
    shown = []
    for row in rows[:6]:
        gate = firings.gates.iloc[data.source[row]]
        shot = firings.shots.iloc[gate["shot"]]
        shown.append(
            f"{shot['file']}:{gate['line']} ({gate['gate']}, "
            f"{1e6 * reduction.linear.residual[row, 0]:+.0f} us)"
        )
    more = f" and {len(rows) - 6} more" if len(rows) > 6 else ""
    share = 100 * len(rows) / max(1, int(np.isfinite(data.seen[:, 0]).sum()))
    return [
        Finding(
            "miscounted times",
            f"{len(rows)} times ({share:.1f} %) lie more than {FAR:g} standard deviations off "
            f"what the rest of "
            f"their shot predicts and are left out: {', '.join(shown)}{more}.",
        )
    ]


def _units(reduction: Reduction, firings: Firings) -> list[Finding]:
    shots = firings.shots.iloc[reduction.data.used]
    ratio = shots["launch_speed_m_s"].to_numpy() / reduction.point.own[:, 3]
    found = []
    for words, of in _UNIT_RATIOS.items():
        hit = np.abs(ratio / of - 1) < 0.03
        if hit.any():
            names = ", ".join(shots["shot"].to_numpy()[hit][:6])
            found.append(
                Finding(
                    "swapped unit",
                    f"Launch speeds of {int(hit.sum())} shots are {of:.3g} times what the gates say: {words} "
                    f"(shots {names}). The gates' speeds are used.",
                )
            )
    other = np.isfinite(ratio) & (np.abs(ratio - 1) > 0.1)
    other &= ~np.any([np.abs(ratio / of - 1) < 0.03 for of in _UNIT_RATIOS.values()], axis=0)
    if other.any():
        found.append(
            Finding(
                "launch speed",
                f"Launch speeds of {int(other.sum())} shots are more than 10 % off what the gates say "
                f"(shots {', '.join(shots['shot'].to_numpy()[other][:6])}).",
            )
        )
    return found


def _spins(reduction: Reduction, firings: Firings, estimates: ShotEstimates) -> list[Finding]:
    """Shots that were left out, and would be like the others with their spin in another unit."""
    shots = firings.shots.iloc[reduction.data.used]
    out = np.flatnonzero(~reduction.shot_kept)
    found = []
    for words, of in _SPIN_RATIOS.items():
        hits = []
        for i in out:
            s = estimates.spin_ratio[i] / of
            if not 0.0 < s < 1.0:
                continue
            _, cl = reduction.coefficients(
                int(reduction.data.pattern[i]), estimates.reynolds[i : i + 1], np.array([s])
            )
            # The gates see the lift; whichever spin explains it better.
            if (
                abs(cl[0] - estimates.cl[i]) < 0.5 * abs(estimates.cl_off[i])
                and abs(estimates.cl_off[i]) > 0.03
            ):
                hits.append(str(shots["shot"].iloc[i]))
        if len(hits) >= max(1, len(out) // 2):
            found.append(
                Finding(
                    "swapped unit",
                    f"The lift of {len(hits)} shots fits their like with {words} (shots "
                    f"{', '.join(hits[:6])}).",
                )
            )
    return found


def _masses(reduction: Reduction, estimates: ShotEstimates) -> list[Finding]:
    """Balls whose Cd and Cl are both off by one factor, as a wrong mass makes them."""
    data, found = reduction.data, []
    if np.isnan(reduction.common.ball_sd).any():
        return []
    for ball, name in enumerate(data.balls):
        own = data.ball == ball
        like = data.pattern == data.pattern[np.flatnonzero(own)[0]]
        others = like & ~own
        if own.sum() < 4 or len(np.unique(data.ball[others])) < 2:
            continue
        expected = estimates.cd[own] - estimates.cd_off[own]
        shift = np.median(estimates.cd_off[own] / expected)
        lifted = own & (np.abs(estimates.cl) > 0.05)
        lift = (
            np.median(estimates.cl_off[lifted] / (estimates.cl[lifted] - estimates.cl_off[lifted]))
            if lifted.sum() > 3
            else shift
        )
        spread = [np.median(estimates.cd_off[data.ball == b]) for b in np.unique(data.ball[others])]
        usual = max(
            1.4826 * float(np.median(np.abs(spread - np.median(spread)))) / float(np.median(expected)), 0.004
        )
        relative = shift - np.median(spread) / np.median(expected)
        if (
            abs(relative) > max(0.02, 4 * usual)
            and np.sign(lift) == np.sign(relative)
            and abs(lift) > 0.3 * abs(relative)
        ):
            mass = 1e3 * _mass(reduction, ball)
            found.append(
                Finding(
                    "wrong mass",
                    f"Ball {name}: Cd and Cl are both off by one factor ({100 * relative:+.1f} "
                    f"% and {100 * lift:+.1f} %), "
                    f"as if its mass were {mass / (1 + relative):.2f} g in place of {mass:.2f} "
                    f"g. Weigh and measure it.",
                )
            )
    return found


def _mass(reduction: Reduction, ball: int) -> float:
    """Mass of a ball, from rho A / 2m and the diameter, relative to air of 1.2 kg/m^3."""
    first = np.flatnonzero(reduction.data.ball == ball)[0]
    per_m, radius = reduction.data.constants[first, :2]
    return float(1.2 * math.pi * radius**2 / (2.0 * per_m))


def _far_shots(reduction: Reduction, firings: Firings, estimates: ShotEstimates) -> list[Finding]:
    out = np.flatnonzero(~reduction.shot_kept)
    if not len(out):
        return []
    shots = firings.shots.iloc[reduction.data.used]
    shown = [
        f"{shots['shot'].iloc[i]} (ball {shots['ball'].iloc[i]}, Cd {estimates.cd_off[i]:+.3f}, "
        f"Cl {estimates.cl_off[i]:+.3f})"
        for i in out[:6]
    ]
    more = f" and {len(out) - 6} more" if len(out) > 6 else ""
    return [
        Finding(
            "shots left out",
            f"{len(out)} shots have a Cd or Cl far from that of their like and are left out: "
            f"{', '.join(shown)}{more}.",
        )
    ]


def _lift(reduction: Reduction, estimates: ShotEstimates) -> list[Finding]:
    upright = np.abs(np.sin(reduction.data.stated[:, 7])) > 0.9
    negative = (estimates.cl < -2 * np.maximum(estimates.cl_se, 0.002)) & ~upright & (estimates.cl_se < 0.1)
    if not negative.any():
        return []
    low, high = estimates.reynolds[negative].min(), estimates.reynolds[negative].max()
    return [
        Finding(
            "negative lift",
            f"The lift of {int(negative.sum())} shots is negative (Re {low:.3g} to {high:.3g}): "
            f"the drag crisis if "
            "at low speed, else the axis or the sign of the spin. Smooth terms do not follow a "
            "crisis; reduce "
            "shots below it by themselves.",
        )
    ]


def _tilt(reduction: Reduction) -> list[Finding]:
    if not reduction.tilt_free:
        return [
            Finding(
                "tilt",
                "No shots with an upright axis (axis_tilt near 90 deg and -90 deg): the range's roll and its "
                "launcher's axis are taken as true.",
            )
        ]
    degrees = np.degrees(reduction.common.mean[1:3])
    error = np.degrees(np.sqrt(np.diag(reduction.common.covariance)[1:3]))
    return [
        Finding(
            "tilt",
            f"From shots with an upright axis, which have no lift upwards: the range rolls "
            f"{degrees[0]:+.2f} ± "
            f"{error[0]:.2f} deg, its launcher's axis is {degrees[1]:+.2f} ± {error[1]:.2f} deg "
            f"off. Both are "
            "allowed for.",
        )
    ]


def _noise(reduction: Reduction) -> list[Finding]:
    names, found = ("times", "sides", "heights", "spins"), []
    for name, scale in zip(names, reduction.scale, strict=True):
        if scale > 1.3 or scale < 0.7:
            found.append(
                Finding(
                    "stated errors",
                    f"Errors of {name} are {scale:.2g} times what is stated, by the residuals; that is used.",
                )
            )
    return found


def _scatter(reduction: Reduction) -> list[Finding]:
    shot, ball = reduction.common.shot_sd, reduction.common.ball_sd
    text = (
        f"Shots of one ball scatter by {shot[0]:.4f} in Cd and {shot[1]:.4f} in Cl beyond their gates' errors"
    )
    if np.isnan(ball).any():
        return [
            Finding(
                "scatter",
                text + "; with one ball a pattern nothing is known of scatter between balls: "
                "intervals are of these balls alone.",
            )
        ]
    return [
        Finding(
            "scatter",
            text
            + f", balls of one pattern by {ball[0]:.4f} and {ball[1]:.4f} beyond what their depths explain.",
        )
    ]


def _fit(reduction: Reduction, estimates: ShotEstimates) -> list[Finding]:
    """Conditions whose shots lie together off the fitted terms."""
    found = []
    data = reduction.data
    for pattern, name in enumerate(data.patterns):
        own = reduction.shot_kept & (data.pattern == pattern)
        if own.sum() < 12:
            continue
        cell = np.round(np.log(estimates.reynolds[own]) / 0.12) * 1000 + np.round(
            estimates.spin_ratio[own] / 0.03
        )
        _, at = np.unique(cell, return_inverse=True)
        count = np.bincount(at)
        for label, off, se, sd in (
            ("Cd", estimates.cd_off[own], estimates.cd_se[own], reduction.common.shot_sd[0]),
            ("Cl", estimates.cl_off[own], estimates.cl_se[own], reduction.common.shot_sd[1]),
        ):
            mean = np.bincount(at, off) / count
            error = np.sqrt(np.bincount(at, se**2 + sd**2)) / count
            error = np.hypot(error, np.nan_to_num(reduction.common.ball_sd)[0 if label == "Cd" else 1])
            bad = (count >= 3) & (np.abs(mean) > 4 * error) & (np.abs(mean) > 0.004)
            if bad.any():
                found.append(
                    Finding(
                        "terms",
                        f"{name}: {label} of {int(bad.sum())} conditions lies up to "
                        f"{np.abs(mean[bad]).max():.3f} off the fitted terms: they are too few.",
                    )
                )
    return found
