"""Files of a results folder: their names, what each holds, and how they are read when one is broken.

Every JSON file that one station writes for another is a `Record`. Whoever reads one calls `read`, which gives
an object of the record's form or raises `Broken`, one line that says what is wrong and what to do. What can
be computed again is set aside as NAME.broken (`pipeline.files.atomic.set_aside`), so that nothing is lost.
"""

import json
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.files.atomic import write_json
from pipeline.files.forms import Form, Maybe, Number, OneOf, Values, fault

LARGEST_BYTES = 256_000_000
"""No record is larger: ten times decision.json of 50 patterns."""

USABLE = ("settled", "noisy", "oscillating", "drifting")
"""Verdicts whose means a table may use (the standard errors of the last include the drift)."""

WITHOUT_NUMBERS = ("diverged", "implausible", "crashed", "killed")
"""Verdicts of runs that have no coefficients."""

CD_BOUNDS, CL_BOUNDS = (0.0, 10.0), (-3.0, 3.0)
"""What drag and lift of a ball that flies can be, generously (`pipeline.aero.table.BOUNDS`)."""


class Broken(InputError):
    """A file of the results that cannot be used."""

    def __init__(self, path: Path, what: str, remedy: str) -> None:
        super().__init__(f"{path}: is broken ({what}); {remedy}")
        self.path, self.what = Path(path), what


@dataclass(frozen=True)
class Record:
    """A JSON file of a results folder.

    Parameters
    ----------
    name : str
        Its file name.
    form : Form
        What it holds.
    remedy : str
        What to do when it is broken.
    version : int
        Version of the form, which `write` puts into the file; a file without one is of version 1.
    """

    name: str
    form: Form
    remedy: str = "depthline run sets it aside and makes it again"
    version: int = 1


_NUMBER, _SHARE, _NOT_NEGATIVE = Number(), Number(0.0, 1.0), Number(0.0)
_TEXTS = [str]


def _run_numbers(run: Any) -> str | None:
    """Coefficients of a run that its verdict calls usable are those of a ball, with their standard errors."""
    if run["verdict"] not in USABLE:
        return None
    needed = {
        "cd": Number(*CD_BOUNDS),
        "cl": Number(*CL_BOUNDS),
        "cd_se": _NOT_NEGATIVE,
        "cl_se": _NOT_NEGATIVE,
    }
    if found := fault(run, needed):
        return f"a usable run: {found}"
    if run["cm"] is not None and run["cm_se"] is None:
        return "a usable run: cm has no standard error"
    return None


_RUN = {
    "run": str, "pattern": str, "verdict": OneOf((*USABLE, *WITHOUT_NUMBERS)), "reason?": str,
    "depth_m": Maybe(_NOT_NEGATIVE), "edge_angle_deg": Maybe(_NUMBER),
    "reynolds": Number(0.0), "spin_ratio": _NOT_NEGATIVE,
    "cd": Maybe(_NUMBER), "cd_se": Maybe(_NOT_NEGATIVE), "cl": Maybe(_NUMBER), "cl_se": Maybe(_NOT_NEGATIVE),
    "cm": Maybe(_NUMBER), "cm_se": Maybe(_NOT_NEGATIVE),
    "fidelity": str, "solver": str, "cells": _NOT_NEGATIVE, "yplus_max": Maybe(_NUMBER),
    "iterations": _NOT_NEGATIVE, "core_seconds": _NOT_NEGATIVE,
    "attempts?": _NOT_NEGATIVE, "warnings?": _TEXTS, "started_at?": str, "starts_from?": Maybe(str),
    "key?": Maybe(str), "kept?": str, "reused_from?": str, "host?": str, "averaged_from?": Values(_NUMBER),
    "provenance?": {
        "inputs?": {}, "versions?": {}, "machine?": {}, "job?": Maybe(str), "case_files?": Values(str),
        "started_at?": str, "finished_at?": str,
    },
}  # fmt: skip


def _run(run: Any) -> str | None:
    found = fault(run, _RUN)
    return found if found else _run_numbers(run)


_GOLFER_AND_PATTERN = {"golfer": str, "pattern": str}

STUDY = Record("study.json", {})
ANY = Record("", {})
"""An object of whatever keys, for whoever compares it as a whole."""

RUN_SPEC = Record(
    "spec.json",
    {
        "run": str, "pattern": str, "geometry": str, "reynolds": Number(0.0), "spin_ratio": _NOT_NEGATIVE,
        "fidelity": str, "level": str, "iterations": _NOT_NEGATIVE, "boundary_layer": str,
        "standard_error": {"cd": _NUMBER, "cl": _NUMBER}, "ball_diameter_m": _NOT_NEGATIVE,
        "starts_from": Maybe(str),
    },
)  # fmt: skip
RUN = Record("run.json", _run)
START = Record(
    "start.json",
    {
        "spec": {},
        "solver": str,
        "ranks": Number(1),
        "attempt": Number(1),
        "warnings": _TEXTS,
        "files": Values(str),
    },
    "the run is begun anew",
)
PROGRESS = Record(
    "progress.json",
    {
        "iterations": _NOT_NEGATIVE, "verdict": str,
        "cd?": _NUMBER, "cd_se?": _NUMBER, "cl?": _NUMBER, "cl_se?": _NUMBER,
    },
    "the solver writes it anew",
)  # fmt: skip
LAYOUT_SPEC = Record(
    "layout.json",
    {
        "ball_diameter_m": _NOT_NEGATIVE,
        "file": Maybe(str),
        "symmetry": Maybe(str),
        "chord_diameter_m": Maybe(_NUMBER),
    },
)
VARIANT_SPEC = Record(
    "spec.json",
    {
        "pattern": str, "key": str, "ball_diameter_m": _NOT_NEGATIVE, "depth_m": Maybe(_NUMBER),
        "edge_angle_rad": Maybe(_NUMBER), "n": Number(1), "layers": Number(1), "first_cell": _NOT_NEGATIVE,
    },
)  # fmt: skip
QUALITY = Record(
    "quality.json",
    {
        "max_non_orthogonality_deg": _NUMBER, "max_skewness": _NUMBER, "min_volume": _NUMBER,
        "edges_fitted?": Maybe(bool),
    },
)  # fmt: skip
TOTALS = Record(
    "totals.json",
    {
        "count": _NOT_NEGATIVE, "symmetry": str, "order": _NOT_NEGATIVE, "coverage": _SHARE,
        "dimple_volume_share": _SHARE, "narrowest_land_m": Maybe(_NUMBER),
        **{
            name: Maybe(_NOT_NEGATIVE)
            for measure in ("depth", "edge_angle", "chord_diameter")
            for unit in ("deg" if measure == "edge_angle" else "m",)
            for name in (f"{measure}_min_{unit}", f"{measure}_max_{unit}")
        },
        "depth_m": Maybe(_NOT_NEGATIVE), "edge_angle_deg": Maybe(_NOT_NEGATIVE),
        "cells_across_dimple?": Maybe(_NUMBER),
    },
)  # fmt: skip
FLOW_TOTALS = Record(
    TOTALS.name,
    {
        "depth_m": Maybe(_NOT_NEGATIVE),
        "edge_angle_deg": Maybe(_NOT_NEGATIVE),
        "cells_across_dimple?": Maybe(_NUMBER),
    },
)
"""What a run needs of them."""

MEASURES = Record("measures.json", {"spec": {}, "measures": Values(Maybe(_NUMBER))})
DECISION = Record(
    "decision.json",
    {
        "golfers": _TEXTS, "patterns": _TEXTS, "notes": _TEXTS,
        "rows": [
            _GOLFER_AND_PATTERN
            | {
                "best_depth_m": _NUMBER, "best_depth_lo_m": Maybe(_NUMBER), "best_depth_hi_m": Maybe(_NUMBER),
                "carry_m": _NUMBER, "carry_se_m": Maybe(_NUMBER), "peak_height_m": _NUMBER,
                "in_window": Maybe(bool), "p_best": Maybe(_NUMBER), "tolerance_m": Maybe(_NUMBER),
                "at_edge": bool, "p_edge": Maybe(_NUMBER), "state": str,
            }
        ],
        "curves": [
            _GOLFER_AND_PATTERN
            | {
                name: [_NUMBER]
                for name in ("depth_m", "carry_m", "carry_lo_m", "carry_hi_m", "peak_height_m")
            }
        ],
        "advice": [{"golfer": str, "headline": str, "sentences": _TEXTS, "state": str}],
        "scenarios?": [
            _GOLFER_AND_PATTERN
            | {"scenario": str, "weight": _NUMBER, "carry_m": _NUMBER, "best_depth_m": _NUMBER}
        ],
        "product?": {"sentences?": _TEXTS},
        "not_told_apart?": [{"pattern": str, "other": str, "sentence": str}],
        "equipment_rules?": [
            {
                "rule": str, "pattern": Maybe(str), "depth_m": Maybe(_NUMBER), "unit": str, "limit": _NUMBER,
                "ours": Maybe(_NUMBER), "ours_se": Maybe(_NUMBER), "inside": Maybe(bool), "note": str,
                "source?": str,
            }
        ],
        "made_of?": {"study": str, "coefficients": str},
    },
)  # fmt: skip
REUSED = Record(
    "KEY.json",
    {"folder": str, "files": Values(Maybe([_NUMBER])), "result": _run},
    "it is set aside, and the run is computed",
)

MADE_AGAIN = "depthline run sets it aside and makes it again"
STATE, SHELL, COEFFICIENTS, FLIGHTS, LAYOUT = (
    "state.npz", "shell/shell.npz", "coefficients.csv", "flights.csv", "layout.csv",
)  # fmt: skip


def read(path: Path, record: Record) -> dict[str, Any]:
    """Read a record.

    Parameters
    ----------
    path : Path
        The file.
    record : Record
        What it should be.

    Returns
    -------
    dict
        Of the record's form.

    Raises
    ------
    Broken
        It is a directory, is too large, cannot be read, is no UTF-8, no JSON, not of its form, or of a newer
        version.
    InputError
        It is missing.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise Broken(path, "a directory", record.remedy)
        if path.stat().st_size > LARGEST_BYTES:
            raise Broken(path, f"{path.stat().st_size} bytes", record.remedy)
        value = json.loads(path.read_bytes().decode("utf-8"), parse_constant=_no_constant)
    except FileNotFoundError:
        raise InputError(f"{path}: missing; the station before this one has not finished") from None
    except OSError as error:
        raise Broken(path, error.strerror or "cannot be read", record.remedy) from None
    except UnicodeDecodeError:
        raise Broken(path, "not UTF-8", record.remedy) from None
    except RecursionError:
        raise Broken(path, "nested too deeply", record.remedy) from None
    except ValueError as error:
        where = f"line {error.lineno}: {error.msg}" if isinstance(error, json.JSONDecodeError) else str(error)
        raise Broken(path, f"not JSON, {where}" if path.stat().st_size else "empty", record.remedy) from None
    if not isinstance(value, dict):
        raise Broken(path, "not a JSON object", record.remedy)
    version = value.get("version", 1)
    if not isinstance(version, int) or version > record.version:
        what = f"version {version!r:.20}, this Depthline knows {record.version}"
        raise Broken(path, what, f"update Depthline, or {record.remedy}")
    if wrong := fault(value, record.form):
        raise Broken(path, wrong[:200], record.remedy)
    return value


def write(path: Path, record: Record, value: dict[str, Any]) -> None:
    """Write a record with its version, atomically."""
    write_json(path, value | {"version": record.version})


def check_archive(path: Path) -> None:
    """Look whether an array archive (.npz) is whole, by its table of contents, without reading its arrays.

    Raises
    ------
    Broken
        It is not.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            last = max(archive.infolist(), key=lambda member: member.header_offset)
            if last.header_offset + last.compress_size > path.stat().st_size:
                raise Broken(path, "cut off", MADE_AGAIN)
    except (zipfile.BadZipFile, ValueError, EOFError):
        raise Broken(path, "not an array archive, or cut off", MADE_AGAIN) from None
    except OSError as error:
        raise Broken(path, error.strerror or "cannot be read", MADE_AGAIN) from None


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is no number")
