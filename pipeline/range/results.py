"""Results of a reduction as files: coefficients with their covariance, tables, shots, balls, gates."""

import csv
import hashlib
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.aero.table_file import write_table
from pipeline.files.atomic import write_text
from pipeline.flight.trajectory import Conditions, Launches, fly
from pipeline.range.diagnosis import Finding
from pipeline.range.firings import Firings
from pipeline.range.gate_kernel import RANGE
from pipeline.range.measures import GateSummary, Needs, ShotEstimates
from pipeline.range.record import (
    Carry,
    CoefficientRow,
    FindingRow,
    FiredPattern,
    GivenFile,
    Parameters,
    ReductionRecord,
    ScatterFound,
)
from pipeline.range.reduce import DETERMINED_SHARE, Reduction
from pipeline.range.tables import PatternTable
from pipeline.range.terms import DEPTH_UNIT_M
from pipeline.records.record import finite, write

CAUTION = (
    "Balls are fired at up to 90 m/s: only on a guarded range, by its operator's rules, with eye protection. "
    "Whether a ball conforms is for the governing body to decide."
)
"""Stands on every page and sheet of a range."""

REDUCTION, VALUES = "reduction.json", "values.csv"


def table_file(pattern: str) -> str:
    """Name of the coefficient table of a pattern."""
    return f"table-{_file_name(pattern)}.csv"


def coefficient_rows(reduction: Reduction) -> list[CoefficientRow]:
    """Every coefficient of every pattern, and whether the shots determine it."""
    rows = []
    error = np.sqrt(np.diag(reduction.common.covariance))
    for pattern, name in enumerate(reduction.data.patterns):
        for of, terms, places in zip(("cd", "cl"), reduction.terms, reduction.places(pattern), strict=True):
            for term, place in zip(terms, places, strict=True):
                known = bool(place >= 0 and error[place] < DETERMINED_SHARE * reduction.prior_sd[place])
                rows.append(
                    CoefficientRow(
                        pattern=name,
                        of=of,
                        term=str(term),
                        determined=known,
                        value=float(reduction.common.mean[place]) if known else None,
                        se=float(error[place]) if known else None,
                    )
                )
    return rows


def carries(tables: Sequence[PatternTable], launch: Launches, conditions: Conditions) -> list[Carry]:
    """Carry of one launch with every pattern: median, standard error, 90 % interval, share outside shots."""
    rows = []
    for of in tables:
        flown = fly(of.draws, np.arange(len(of.draws)), launch, conditions)
        low, middle, high = np.quantile(flown.carry_m, [0.05, 0.5, 0.95])
        rows.append(
            Carry(
                pattern=of.pattern,
                depth_m=finite(of.depth_m),
                carry_m=float(middle),
                carry_se_m=float(flown.carry_m.std()),
                carry_lo_m=float(low),
                carry_hi_m=float(high),
                peak_height_m=float(np.median(flown.peak_height_m)),
                extrapolated=float(np.median(flown.extrapolated)),
            )
        )
    return rows


def summary(
    reduction: Reduction,
    firings: Firings,
    files: Sequence[Path],
    found: Sequence[Finding],
    needed: Needs,
    tables: Sequence[PatternTable],
    carried: Sequence[Carry],
) -> ReductionRecord:
    """What reduction.json holds."""
    order = [f"{name}" for name in RANGE]
    for pattern, name in enumerate(reduction.data.patterns):
        for of, terms, places in zip(("cd", "cl"), reduction.terms, reduction.places(pattern), strict=True):
            order += [f"{name}/{of}/{term}" for term, place in zip(terms, places, strict=True) if place >= 0]
    ball_cd_sd, ball_cl_sd = (finite(sd) for sd in reduction.common.ball_sd)
    return ReductionRecord(
        depthline=__version__,
        files=[
            GivenFile(file=str(path), sha256=hashlib.sha256(Path(path).read_bytes()).hexdigest())
            for path in files
        ],
        shots=len(reduction.data.pattern),
        shots_left_out=int((~reduction.shot_kept).sum()),
        times_left_out=int(
            ((reduction.kept[:, 0] == 0) & np.isfinite(reduction.linear.residual[:, 0])).sum()
        ),
        patterns=[
            FiredPattern(
                pattern=of.pattern,
                depth_m=finite(of.depth_m),
                balls=len(set(reduction.data.ball[reduction.data.pattern == k].tolist())),
                shots=int((reduction.data.pattern == k).sum()),
                reynolds=of.table.reynolds[[0, -1]].tolist(),
                spin_ratio=of.table.spin_ratio[[0, -1]].tolist(),
            )
            for k, of in enumerate(tables)
        ],
        coefficients=coefficient_rows(reduction),
        parameters=Parameters(
            order=order,
            mean=reduction.common.mean.tolist(),
            covariance=reduction.common.covariance.tolist(),
            reynolds_unit=1e5,
            depth_unit_m=DEPTH_UNIT_M,
        ),
        scatter=ScatterFound(
            shot_cd=float(reduction.common.shot_sd[0]),
            shot_cl=float(reduction.common.shot_sd[1]),
            ball_cd=ball_cd_sd,
            ball_cl=ball_cl_sd,
        ),
        errors_over_stated=dict(
            zip(("time", "side", "height", "spin"), reduction.scale.tolist(), strict=True)
        ),
        needed={key: finite(value) for key, value in needed._asdict().items()},
        carry=list(carried),
        findings=[FindingRow(kind=one.kind, text=one.text) for one in found],
        caution=CAUTION,
    )


def write_results(
    folder: Path,
    reduction: Reduction,
    firings: Firings,
    estimates: ShotEstimates,
    gates: Sequence[GateSummary],
    tables: Sequence[PatternTable],
    record: ReductionRecord,
) -> None:
    """Write reduction.json, values.csv, table-PATTERN.csv, shots.csv, balls.csv and gates.csv."""
    folder.mkdir(parents=True, exist_ok=True)
    data = reduction.data
    values = []
    for k, of in enumerate(tables):
        own = np.argwhere(of.inside)
        re, s = of.table.reynolds[own[:, 0]], of.table.spin_ratio[own[:, 1]]
        covariance = reduction.covariance_at(k, re, s)
        for (i, j), part in zip(own, covariance, strict=True):
            cd_se, cl_se = np.sqrt(part[0, 0]), np.sqrt(part[1, 1])
            values.append(
                [
                    of.pattern,
                    _blank(of.depth_m),
                    of.table.reynolds[i],
                    of.table.spin_ratio[j],
                    of.table.cd[i, j],
                    cd_se,
                    of.table.cl[i, j],
                    cl_se,
                    part[0, 1] / (cd_se * cl_se),
                ]
            )
        outside = int((~of.inside).sum())
        write_table(
            of.table,
            folder / table_file(of.pattern),
            [
                f"Drag and lift of {of.pattern} from firings; Depthline {__version__}.",
                f"{outside} of {of.inside.size} nodes lie outside what the shots covered: they "
                f"hold the values "
                "of the nearest conditions that were fired.",
            ],
        )
    _write(
        folder / VALUES,
        "pattern depth_m reynolds spin_ratio cd cd_se cl cl_se cd_cl_correlation",
        values,
    )
    shots = firings.shots.iloc[data.used]
    _write(
        folder / "shots.csv",
        "file shot ball pattern depth_m reynolds spin_ratio speed_m_s launch_angle_rad axis_tilt_rad "
        "cd cd_se cl cl_se counts",
        [
            [
                shot["file"],
                shot["shot"],
                shot["ball"],
                shot["pattern"],
                _blank(shot["depth_m"]),
                estimates.reynolds[i],
                estimates.spin_ratio[i],
                *reduction.point.own[i, [3, 4, 7]],
                estimates.cd[i],
                estimates.cd_se[i],
                estimates.cl[i],
                estimates.cl_se[i],
                int(reduction.shot_kept[i]),
            ]
            for i, (_, shot) in enumerate(shots.iterrows())
        ],
    )
    _write(
        folder / "balls.csv",
        "pattern ball shots mass_kg diameter_m depth_m cd_by_depth cl_by_depth cd_beyond_depth "
        "cd_beyond_depth_se "
        "cl_beyond_depth cl_beyond_depth_se",
        ball_rows(reduction, firings),
    )
    _write(
        folder / "gates.csv",
        "gate times late_s scatter_s high_m left_out cd_per_mm cl_per_mm",
        [[_blank(value) for value in gate] for gate in gates],
    )
    write(folder / REDUCTION, record)


def ball_rows(reduction: Reduction, firings: Firings) -> list[list[Any]]:
    """A row a ball: as moulded, what its depth makes of Cd and Cl (mean over its shots), and what is left."""
    data, rows = reduction.data, []
    shots = firings.shots.iloc[data.used]
    for ball, name in enumerate(data.balls):
        own = np.flatnonzero(data.ball == ball)
        pattern, first = int(data.pattern[own[0]]), shots.iloc[own[0]]
        re, s = reduction.shot_reynolds[own].mean(axis=1), reduction.shot_spin_ratio[own].mean(axis=1)
        depth = float(first["depth_m"])
        by_depth: list[Any] = ["", ""]
        if not np.isnan(depth) and not np.isnan(data.reference_depth_m[pattern]):
            at = np.array(reduction.coefficients(pattern, re, s, depth))
            by_depth = (at - np.array(reduction.coefficients(pattern, re, s))).mean(axis=1).tolist()
        beyond = [
            value
            for c in range(2)
            for value in (reduction.ball_offset[ball, c], reduction.ball_offset_se[ball, c])
        ]
        if np.isnan(reduction.common.ball_sd).any():
            beyond = [""] * 4
        rows.append(
            [
                data.patterns[pattern],
                name,
                len(own),
                first["mass_kg"],
                first["diameter_m"],
                _blank(depth),
                *by_depth,
                *beyond,
            ]
        )
    return rows


def _blank(value: Any) -> Any:
    return "" if isinstance(value, float) and np.isnan(value) else value


def _file_name(pattern: str) -> str:
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in pattern)


def _write(path: Path, columns: str, rows: Sequence[Sequence[Any]]) -> None:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns.split())
    for row in rows:
        writer.writerow([f"{value:.10g}" if isinstance(value, float) else value for value in row])
    write_text(path, stream.getvalue())
