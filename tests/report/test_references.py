"""Reference balls of the shelf in the report: flown alike, beside the computed balls."""

import shutil

import pytest
from report_studies import Results, decide
from shelf.balls import ball

from pipeline.report.inputs import read_inputs
from pipeline.report.page import write_report
from pipeline.report.references import reference_table, references_of
from pipeline.shelf.folder import add_balls


@pytest.fixture
def with_references(small: Results, tmp_path) -> Results:
    add_balls(
        tmp_path / "shelf", [ball("tour-old", depth_m=2.5e-4), ball("draggy", cd=1.2, note="<b>bold</b>")]
    )
    shutil.copytree(small.folder, tmp_path / "results")
    study = small.study.model_copy(update={"shelf": tmp_path / "shelf", "references": ["tour-old", "draggy"]})
    results = Results(study, tmp_path / "results")
    decide(results)
    return results


def test_differences_stand_in_a_table(with_references: Results):
    inputs, known = read_inputs(*with_references), references_of(with_references.study)
    table = reference_table(inputs, known)
    assert [row[2].text for row in table.rows] == ["tour-old", "draggy"]
    flown = {name: of for (_, name), of in known.flights.items()}
    assert flown["tour-old"].carry_m > flown["draggy"].carry_m + 5
    (row,) = inputs.decision.rows
    yards = (row.carry_m - flown["draggy"].carry_m) / 0.9144
    assert table.rows[1][4].text.startswith(f"{yards:.1f}")


def test_the_page_shows_them(with_references: Results):
    page = write_report(*with_references).read_text()
    for words in ("tour-old", "Differences to reference balls of the shelf", "an invented range"):
        assert words in page
    assert "<b>bold</b>" not in page


def test_without_references_the_page_says_nothing_of_them(small: Results):
    assert "reference balls of the shelf" not in write_report(*small).read_text()
