"""Reads the results that the report shows: tables, decision, totals and run records."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import InputError
from pipeline.flow.campaign.prepare import layout_spec
from pipeline.records import tree
from pipeline.records.decision import Decision
from pipeline.records.flow import RunResult
from pipeline.records.geometry import BallTotals, LayoutInputs
from pipeline.records.record import read
from pipeline.study.matrix import RunSpec, Variant, differences, fingerprint, runs, variants
from pipeline.study.model import Study

if TYPE_CHECKING:
    import pandas as pd

_MOST_DIFFERENCES = 5
"""Differences between two studies that one line names."""

_FLIGHT_NAMES = ("pattern", "golfer")


@dataclass(frozen=True)
class Inputs:
    """Results of a study, as far as they are there.

    Parameters
    ----------
    study : Study
        The study.
    coefficients : DataFrame
        As from `pipeline.aero.collect.read_coefficients`.
    flights : DataFrame
        Columns of `pipeline.decide.flights.station.COLUMNS`.
    decision : Decision
        decision.json.
    plan : list of RunSpec
        Every run of the study.
    runs : dict
        run.json of each run that has one, by run identifier.
    notes : list of str
        What was wrong with the results and was made right.
    variants : list of Variant
        Every pattern and depth.
    totals : dict
        totals.json of each variant that has one, by (pattern, key).
    skins : dict of Path
        The surface of each variant that has one, by (pattern, key).
    """

    study: Study
    coefficients: "pd.DataFrame"
    flights: "pd.DataFrame"
    decision: Decision
    plan: list[RunSpec]
    runs: dict[str, RunResult]
    variants: list[Variant]
    totals: dict[tuple[str, str], BallTotals]
    skins: dict[tuple[str, str], Path]
    notes: list[str] = field(default_factory=list)

    def depth_m(self, variant: Variant) -> float | None:
        """Surface depth of a variant, the mean over its dimples; None when it is not known [m]."""
        found = self.totals.get((variant.pattern, variant.key))
        return variant.depth_m if found is None else found.depth_m


def read_inputs(study: Study, results: Path) -> Inputs:
    """Read a study's results.

    Parameters
    ----------
    study : Study
        The study.
    results : Path
        Its results folder, with coefficients.csv, flights.csv and decision.json; run.json, totals.json and
        skin.ply are used where they are.

    Returns
    -------
    Inputs
        The results.

    Raises
    ------
    InputError
        One of the three is missing, a file is broken, or the decision was made of another state of the study
        or of its runs.
    """
    from pipeline.aero.collect import checked_coefficients
    from pipeline.aero.collect import fingerprint as fingerprint_of_rows

    results = Path(results)
    # A finer mesh is of the same surface.
    plan, everything = runs(study), [of for of in variants(study) if of.level is None]
    geometry = {
        (variant.pattern, variant.key): tree.variant_folder(results, variant.pattern, variant.key)
        for variant in everything
    }
    coefficients, note = checked_coefficients(results, [run.run_id for run in plan])
    return Inputs(
        study=study,
        coefficients=coefficients,
        notes=[] if note is None else [note],
        flights=read_flights(results / tree.FLIGHTS),
        decision=_read_decision(results / tree.DECISION, study, fingerprint_of_rows(coefficients)),
        plan=plan,
        runs={
            run.run_id: read(path, RunResult)
            for run in plan
            if (path := results / run.run_id / tree.RESULT).exists()
        },
        variants=everything,
        totals={
            key: read(folder / tree.TOTALS, BallTotals)
            for key, folder in geometry.items()
            if (folder / tree.TOTALS).exists()
        },
        skins={
            key: folder / tree.SKIN_PLY
            for key, folder in geometry.items()
            if (folder / tree.SKIN_PLY).is_file()
        },
    )


def check_same_study(study: Study, results: Path, path: Path) -> None:
    """Refuse results of another state of a study: their page would show new inputs above old numbers.

    Parameters
    ----------
    study : Study
        The study as its file is now.
    results : Path
        Its results folder, with study.json.
    path : Path
        The study file, for the message.

    Raises
    ------
    InputError
        They differ; the message names where.
    """
    made_of = Study.from_json(results / tree.STUDY)
    found = differences(study, made_of)
    for pattern in study.patterns:
        spec = tree.pattern_folder(results, pattern.name) / tree.LAYOUT_SPEC
        if pattern.layout.file is not None and not found and spec.exists():
            digest = layout_spec(study, pattern).file_sha256
            if read(spec, LayoutInputs).file_sha256 != digest:
                found.append(f"content of {pattern.layout.file}")
    if found:
        named = "; ".join(found[:_MOST_DIFFERENCES])
        more = f" and {len(found) - _MOST_DIFFERENCES} more" if len(found) > _MOST_DIFFERENCES else ""
        raise InputError(
            f"{results}: was computed before {path} was changed ({named}{more}); depthline run {path} brings "
            "it up to date"
        )


def _read_decision(path: Path, study: Study, coefficients: str) -> Decision:
    decision = read(path, Decision)
    if (made_of := decision.made_of) is not None:
        for made, now, what in (
            (made_of.study, fingerprint(study), "the study has changed"),
            (made_of.coefficients, coefficients, "runs have been computed or lost"),
        ):
            if made != now:
                raise InputError(f"{path}: {what} since it was made; run the study again")
    for key, names, sections in (
        ("golfers", decision.golfers, study.golfers),
        ("patterns", decision.patterns, study.patterns),
    ):
        if names != [section.name for section in sections]:
            raise InputError(
                f"{path}: {key}: is about {', '.join(names)}, not the study's "
                f"{', '.join(section.name for section in sections)}; run the study again"
            )
    return decision


def read_flights(path: Path) -> "pd.DataFrame":
    """Read flights.csv.

    Raises
    ------
    InputError
        It is missing, is no CSV, lacks a column, or has text where a number belongs.
    """
    import pandas as pd

    from pipeline.decide.flights.station import COLUMNS

    try:
        # A golfer may be called "NA" or "7": names stay the text that they are.
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        if not path.read_bytes().endswith(b"\n"):
            raise InputError(f"{path}: is cut off in its last line; run the study again")
    except FileNotFoundError:
        raise InputError(f"{path}: missing; the flight station has not finished") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read as CSV ({error}); run the study again") from None
    for name in COLUMNS:
        if name not in frame:
            raise InputError(f'{path}: column "{name}" is missing; run the study again')
        if name in _FLIGHT_NAMES:
            continue
        numbers = pd.to_numeric(frame[name], errors="coerce")
        wrong = numbers.isna() & ~frame[name].str.lower().isin(["", "nan"])
        if wrong.any():
            line = int(wrong.to_numpy().argmax()) + 2
            raise InputError(f'{path}:{line}: {name}: "{frame[name][line - 2]}" is not a number')
        frame[name] = numbers.astype(float)
    return frame
