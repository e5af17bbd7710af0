"""Families of patterns in a study file: `patterns: search:` in place of a list."""

import json

import jsonschema
import pytest
from good_study import GOOD, problems, write

from pipeline.errors import InputError
from pipeline.study.file import load_study
from pipeline.study.schema import study_schema
from pipeline.study.yaml_lines import read_tree

LIST = GOOD[GOOD.index("patterns:") : GOOD.index("flow:")]
FAMILY = GOOD.replace(
    LIST,
    """\
patterns:
  search:
    candidates: 6
    layout:
      symmetry: [icosahedral]
      count: {lowest: 300, highest: 340}
      seam: [none, straight]
      narrowest_land: {lowest: 0.05 mm, highest: 0.60 mm}
    cavity:
      - {profile: arc}
      - {profile: cone, joint: {lowest: 40 %, highest: 80 %}}
    coverage: {lowest: 60 %, highest: 75 %}
    depths: {shallowest: 0.12 mm, deepest: 0.30 mm}
    edge_angles: {lowest: 8 deg, highest: 20 deg}
""",
)


def test_a_family_is_read_in_si(tmp_path):
    study = load_study(write(tmp_path, FAMILY), searched=True)
    assert study.patterns == [] and study.family is not None
    assert study.family.depths.deepest_m == pytest.approx(3e-4)
    assert study.family.cavity[1].joint.highest == pytest.approx(0.8)
    assert load_study(write(tmp_path, GOOD), searched=True).family is None


def test_where_a_list_is_needed_a_family_is_refused_in_one_line(tmp_path):
    (line,) = problems(tmp_path, FAMILY)
    assert line.startswith("4: patterns.search: is a family of patterns, which depthline search lists")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("candidates: 6", "candidate: 6", '5: patterns.search.candidate: is not a key here'),
        ("lowest: 60 %", "lowest: 80 %", '14: patterns.search.coverage: has its "lowest" above its'),
        (", joint: {lowest: 40 %, highest: 80 %}", "", "13: patterns.search.cavity[1].joint: is missing"),
        ("[none, straight]", "[undulating]", "patterns.search.layout.seam_waves: is missing"),
        ("0.12 mm", "0.12", '15: patterns.search.depths.shallowest: 0.12: has no unit; write for'),
        ("[icosahedral]", "[icosahedal]", "7: patterns.search.layout.symmetry[0]: icosahedal: is not one of"),
        ("  search:", "  serch:", '4: patterns.serch: is not a key here; did you mean "search"'),
    ],
)  # fmt: skip
def test_faults_have_line_key_and_remedy(tmp_path, old, new, said):
    with pytest.raises(InputError) as caught:
        load_study(write(tmp_path, FAMILY.replace(old, new)), searched=True)
    assert said in str(caught.value)


def test_the_schema_takes_a_family_and_a_list(tmp_path):
    schema = json.loads(json.dumps(study_schema()))
    for text in (FAMILY, GOOD):
        jsonschema.validate(read_tree(tmp_path, text).data, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(read_tree(tmp_path, FAMILY.replace("es: 6", "es: 0")).data, schema)
