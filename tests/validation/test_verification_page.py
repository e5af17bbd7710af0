"""The verification page: what it says of each value, that it stands alone, that half a suite has one."""

import html
import re
from pathlib import Path

import numpy as np
import pytest

from pipeline.validation.flows import Flow
from pipeline.validation.page import write_verification_page
from pipeline.validation.published import JOHNSON_PATEL
from pipeline.validation.rows import Row
from pipeline.validation.shedding import SAMPLE_TIME, WINDOWS, shedding_flows


def row(
    part: str, quantity: str, ours: float, published: float | None, goal_pct: float | None, **more
) -> Row:
    more = {"reynolds": 100.0, "spin_ratio": 0.0, "cells": 30720, "level": "16x40", "cause": ""} | more
    source, mark = (JOHNSON_PATEL, "quoted") if published is not None else ("", "")
    flow = f"Re {more['reynolds']:g}, S {more['spin_ratio']:g}"
    cause, level = more.pop("cause"), more.pop("level")
    return Row(quantity, flow, ours, 2e-4, published, source, mark, goal_pct, level, cause, part, **more)


INVENTED = [
    row("sphere", "cd", 1.09, 1.087, 1.0),
    row("sphere", "cd", 1.58, None, None, reynolds=50.0),
    row("sphere", "separation_deg", 127.4, 127.0, 2.0),
    row("sphere", "wake_length", 0.80, 0.88, 5.0, cause="cells too wide for <this> wake"),
    *(row("spin", name, 0.5, 0.55, None, spin_ratio=0.5) for name in ("cl", "cd")),
    *(row("order", "cd", 1.09 + 1e7 / n**3, None, None, cells=n) for n in (30720, 103680, 245760)),
    row("order", "cd", 1.0885, 1.087, 1.0, level="extrapolated", cells=None),
    row("order", "cd_order", 1.9, 2.0, None, cells=None),
    row("shedding", "sheds", 1.0, 1.0, 0.0, reynolds=300.0),
    row("of another station", "cd", 0.25, None, None),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    results = tmp_path_factory.mktemp("verification")
    _write_history(results, shedding_flows()[0])
    write_verification_page(results, INVENTED)
    return results


def _write_history(results: Path, flow: Flow) -> None:
    """An invented cycle, where the bench would leave one."""
    from small_study import run_record

    from pipeline.files.atomic import write_json

    folder = results / flow.run_id
    write_json(folder / "run.json", run_record(verdict="oscillating"))
    write_json(folder / "measures.json", {"spec": flow.spec().content(), "measures": {}})
    times = np.arange(SAMPLE_TIME, WINDOWS[0.0][1] + 1e-9, SAMPLE_TIME)
    lift = 0.07 + 0.003 * np.sin(2 * np.pi * 0.13 * times)
    zero = np.zeros_like(times)
    columns = np.column_stack([times, 0.66 + zero, lift, zero, zero])
    np.savetxt(folder / "history.csv", columns, delimiter=",", comments="", header="iteration,cd,cl,cs,cm")


@pytest.fixture(scope="module")
def page(folder: Path) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


def test_a_section_a_part_and_the_limits(page: str) -> None:
    headings = re.findall(r"<h2>(.*?)</h2>", page)
    parts = ["Sphere", "Spin", "Order", "Shedding", "Of another station"]
    expected = [*parts, "What these numbers are not good for"]
    assert headings == [f"{place}. {name}" for place, name in enumerate(expected, start=1)]


def test_verdicts_are_counted_and_what_is_off_has_its_cause(page: str) -> None:
    text = html.unescape(re.sub(r"<[^>]+>", " ", page))
    assert "4 of 5 judged values lie within their goals" in text
    assert "sphere: wake length (diameters) at Re 100, S 0: 0.8 computed, 0.88 published, -9.1 %" in text
    assert "cells too wide for <this> wake" in text
    # A verdict is said in words too, not only in colour.
    assert (text.count("✗ off"), text.count("✓ within"), text.count("shown only")) == (1, 4, 8)


def test_words_of_caution(page: str) -> None:
    text = re.sub(r"\s+", " ", page)
    for words in ("Screening", "Fidelity", "Standard errors", "Published values"):
        assert words in text


def test_figures_are_there_and_stand_alone(page: str, folder: Path) -> None:
    names = {path.name for path in (folder / "figures").glob("*.png")}
    assert names == {f"verification-{name}.png" for name in ("drag", "wake", "spin", "order", "lifts")}
    assert page.count("<svg") == 5
    assert not re.search(r'(src|href)="(?!#|data:)', page)
    assert "http" not in page


def test_a_summary_without_figures_has_a_page(tmp_path: Path) -> None:
    page = write_verification_page(tmp_path, [INVENTED[-1]]).read_text(encoding="utf-8")
    assert "0 of 0 judged values" in page
