"""Units that are shown: the trade's or SI, on the page alone; copies of the CSV files in trade units."""

import re

import pandas as pd
import pytest
from report_studies import ONE_PATTERN, Results, make_results

from pipeline.report.page import write_report
from pipeline.study.file import study_of
from pipeline.study.trade_units import shown, shown_in, yards, yards_cell

YARD_M, MPH_M_S = 0.9144, 0.44704
"""International yard and mile an hour, exactly (Weights and measures agreement of 1959)."""


@pytest.mark.parametrize(
    ("text", "right"),
    [
        (
            "it carries 250.2 yd (228.8 m), standard error 35.8 yd (32.7 m)",
            "it carries 228.8 m, standard error 32.7 m",
        ),
        ("the flight window of 27.3 to 41.6 yd (25.0 to 38.0 m)", "the flight window of 25.0 to 38.0 m"),
        ("it gives away 10.0 yd on average", "it gives away 9.1 m on average"),
        ("ball speed 165.0 ± 2.0 mph, backspin 2600 rpm", "ball speed 73.8 ± 0.9 m/s, backspin 2600 rpm"),
        ("Carry ± standard error, yd (m)", "Carry ± standard error, m"),
        ("left out, by the other balls, yd", "left out, by the other balls, m"),
        ("within a yard of the best", "within a yard of the best"),
        ("0.22 mm, 3 yd\u00a0x", "0.22 mm, 2.7 m\u00a0x"),
    ],
)
def test_sentences_in_si(text: str, right: str) -> None:
    assert shown(text) == text
    with shown_in("SI"):
        assert shown(text) == right


def test_cells_in_si() -> None:
    assert yards_cell(228.8, 32.7) == "250.2 ± 35.8 (228.8)"
    with shown_in("SI"):
        assert yards_cell(228.8, 32.7) == "228.8 ± 32.7"
        assert yards(228.8) == "228.8\u00a0m"


def test_a_page_in_si_has_no_yards_and_no_miles(small: Results, tmp_path) -> None:
    from report_studies import copy_results

    results = copy_results(small, tmp_path / "results")
    page = write_report(*results, units="SI").read_text(encoding="utf-8")
    file, study_file = (results.folder / "study.yaml").read_text(), r"<pre id=\"study-text\".*?</pre>"
    assert "165 mph" in file and file.strip() in page  # as it was written
    left_out = rf"<script.*?</script>|<style>.*?</style>|<svg.*?</svg>|{study_file}"
    text = re.sub(left_out, "", page, flags=re.DOTALL)
    assert re.findall(r"\byd\b|\bmph\b", re.sub(r"<[^>]+>", " ", text)) == []
    assert '"units":{"size_m":1.0,"name":"m"}' in page
    carry = pd.read_csv(results.folder / "flights.csv")["carry_m"].iloc[0]
    assert f"{carry:.1f} ±" in text
    assert "yd" in write_report(*results).read_text(encoding="utf-8")


def test_what_the_author_wrote_stays_as_it_is(tmp_path) -> None:
    about = "A ball for 95 mph at the clubhead, 210 yd of carry."
    text = f"about: {about}\n" + ONE_PATTERN.replace("fast swing", "165 mph")
    study = study_of(tmp_path / "study.yaml", text)
    with shown_in("SI", study):
        assert shown(about) == about
        assert shown("165 mph: 210.0 yd (192.0 m), 165 mph away") == "165 mph: 192.0 m, 165 mph away"
        assert shown("100.0 mph") == "44.7 m/s"
    with shown_in("SI"):
        assert shown("165 mph") == "73.8 m/s"


def test_copies_in_trade_units(small: Results, tmp_path) -> None:
    from report_studies import copy_results

    results = copy_results(small, tmp_path / "results")
    write_report(*results)
    for name in ("flights", "decision", "coefficients"):
        own = pd.read_csv(results.folder / f"{name}.csv")
        copy = pd.read_csv(results.folder / "trade" / f"{name}.csv")
        assert copy.shape == own.shape
        assert not [column for column in copy if column.endswith(("_m", "_m_s"))]
    flights = pd.read_csv(results.folder / "flights.csv")
    copy = pd.read_csv(results.folder / "trade/flights.csv")
    assert copy["carry_yd"].to_numpy() == pytest.approx(flights["carry_m"].to_numpy() / YARD_M, rel=1e-6)
    assert copy["depth_mm"].to_numpy() == pytest.approx(1e3 * flights["depth_m"].to_numpy(), rel=1e-6)
    assert copy["ball_speed_mph"].to_numpy() == pytest.approx(
        flights["ball_speed_m_s"].to_numpy() / MPH_M_S, rel=1e-6
    )


def test_units_of_a_study_change_no_result(tmp_path) -> None:
    from pipeline.study.matrix import fingerprint

    plain = study_of(tmp_path / "study.yaml", ONE_PATTERN)
    in_si = study_of(tmp_path / "study.yaml", ONE_PATTERN + "units: SI\n")
    assert fingerprint(plain) == fingerprint(in_si)
    assert "units" not in plain.to_json() and in_si.to_json()["units"] == "SI"


def test_a_study_of_edge_angles_is_headlined_by_them(tmp_path) -> None:
    text = ONE_PATTERN.replace("depths: [0.15 mm, 0.20 mm, 0.25 mm]", "edge_angles: [8 deg, 11 deg, 14 deg]")
    results = make_results(tmp_path, text, lambda run, found: found)
    import json

    decision = json.loads((results.folder / "decision.json").read_text())
    headline = decision["advice"][0]["headline"]
    found = re.search(
        r"ico32 at an edge angle of ([\d.]+) deg, between ([\d.]+) and ([\d.]+) deg \(surface depth", headline
    )
    assert found, headline
    angle, low, high = map(float, found.groups())
    assert low <= angle <= high and 8 <= angle <= 14
    assert "an edge angle of" in decision["product"]["sentences"][0]
