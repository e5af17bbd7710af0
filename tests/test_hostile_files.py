"""Files that somebody spoilt: an error line, never a traceback, minutes, or a machine out of memory."""

import gzip
import resource
import string
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.aero.table_file import read_table as read_coefficient_table
from pipeline.decide.flights.golfer import read_launches
from pipeline.errors import InputError
from pipeline.flow.forces.histories import read_history
from pipeline.geometry.layout.file import read_layout
from pipeline.study.file import load_study

ROOT = Path(__file__).parents[1]
DEMO = (ROOT / "cases/demo/study.yaml").read_text()
LAYOUT = "polar_deg,azimuth_deg,chord_diameter_mm\n" + "".join(
    f"{polar},{azimuth},3\n" for polar in (30, 60, 90, 120) for azimuth in (0, 90, 180, 270)
)
FORCES = (
    "# Time total_x total_y total_z pressure_x pressure_y pressure_z viscous_x viscous_y viscous_z\n"
    + "".join(f"{time} 0.2 0 0.1 0.1 0 0.1 0.1 0 0\n" for time in range(1, 9))
)
LAUNCHES = "ball_speed_mph;launch_angle_deg;backspin_rpm\n" + "".join(
    f"{150 + shot},5;11,25;2600\n" for shot in range(8)
)
TABLE = "reynolds,spin_ratio,cd,cl\n" + "".join(
    f"{reynolds},{spin},0.25,0.1\n" for reynolds in (8e4, 2e5) for spin in (0.1, 0.3)
)


def read_forces(path: Path) -> None:
    folder = path.parent / "forces/0"
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("force.dat", "moment.dat"):
        (folder / name).write_bytes(path.read_bytes())
    read_history(path.parent / "forces")


READERS: dict[str, tuple[Callable[[Path], object], str]] = {
    "study.yaml": (load_study, DEMO),
    "layout.csv": (lambda path: read_layout(path, 0.0427, None), LAYOUT),
    "force.dat": (read_forces, FORCES),
    "table.csv": (read_coefficient_table, TABLE),
    "launches.csv": (read_launches, LAUNCHES),
}

SPLINTERS = st.sampled_from(
    ["", "\x00", "nan", "-inf", "1e999", "-1", "0", "9" * 400, "1_0", "٣", "\u202e", "\ud7ff", "&a [*a,*a]",
     "!!python/object/apply:os.system ['true']", "{{ 7*7 }}", "${HOME}", "$(id)", "`id`", "../../etc/passwd",
     "/dev/zero", ";", '"', "'", "\t", "\r", "\n", "|", ">", "[[[[", "}}", "---\n", "%YAML 9\n", ",,,", "#",
     "%YAML 1." + "1" * 5000 + "\n---\n", '"\\U00110000"', '"\\UFFFFFFFF"', "1,5", "1.5", "2,600", "sep=;\n",
     "PK\x03\x04", "0.2" + " " * 5000 + "mm"]
)  # fmt: skip


@st.composite
def spoilt(draw: st.DrawFn, text: str) -> bytes:
    """A good file with pieces cut out, doubled, swapped, or replaced by something nasty."""
    for _ in range(draw(st.integers(1, 4))):
        at, length = draw(st.integers(0, len(text))), draw(st.integers(0, 40))
        piece = draw(st.one_of(SPLINTERS, st.text(max_size=8), st.sampled_from([text[at : at + length] * 2])))
        text = text[:at] + piece + text[at + length :]
    content = text.encode("utf-8", "replace")
    if draw(st.booleans()):
        at = draw(st.integers(0, len(content)))
        content = content[:at] + draw(st.binary(max_size=6)) + content[at:]
    return content


@pytest.mark.parametrize("name", READERS)
def test_a_spoilt_file_is_read_or_refused_in_lines(
    name: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    reader, good = READERS[name]
    path = tmp_path_factory.mktemp("spoilt") / name
    path.write_text(good)
    reader(path)  # the file as it was is good

    @settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
    @given(spoilt(good))
    def read(content: bytes) -> None:
        path.write_bytes(content)
        try:
            reader(path)
        except InputError as error:
            assert len(str(error)) < 20_000

    read()


MEGABYTE = 2**20


def large_files() -> dict[str, tuple[str, bytes]]:
    """Files of about 1 MB that cost a careless reader minutes or gigabytes."""
    return {
        "one long line": ("study.yaml", b"a" * MEGABYTE),
        "deep brackets": ("study.yaml", b"[" * MEGABYTE),
        "deep maps": ("study.yaml", b"{a: " * (MEGABYTE // 4)),
        "aliases of aliases": (
            "study.yaml",
            b"a0: &a0 [x,x]\n"
            + b"".join(b"a%d: &a%d [*a%d,*a%d]\n" % (i, i, i - 1, i - 1) for i in range(1, 4000)),
        ),
        "many keys": ("study.yaml", b"".join(b"k%d: 1\n" % i for i in range(25_000))),
        "just below the limit": (
            "study.yaml", b"patterns:\n" + b"".join(b"- {name: p%d}\n" % i for i in range(16_000))),
        "blanks in a quantity": (
            "study.yaml", DEMO.replace("0.15 mm", '"0.15' + " " * 200_000 + 'mm"').encode()),
        "long escape": ("study.yaml", b'name: "' + b"\\U00110000" * 20_000 + b'"'),
        "number of a directive": ("study.yaml", b"%YAML 1." + b"1" * 200_000 + b"\n---\nname: x\n"),
        "commas in every cell": ("launches.csv", b"a;b\n" + b"1,2;3,4\n" * (MEGABYTE // 8)),
        "quotes in a header": ("table.csv", b'"' * MEGABYTE),
        "many launches": ("launches.csv", LAUNCHES.encode() + b"150;11;2600\n" * (MEGABYTE // 12)),
        "many wrong launches": ("launches.csv", LAUNCHES.encode() + b"1;x;\n" * (MEGABYTE // 6)),
        "compressed": ("table.csv", gzip.compress(b"0" * 300 * MEGABYTE)),
        "long number": ("study.yaml", b"name: " + b"9" * (MEGABYTE // 5)),
        "many dimples": ("layout.csv", LAYOUT.encode() + b"1,1,0.0001\n" * (MEGABYTE // 11)),
        "many columns": ("layout.csv", b"a," * (MEGABYTE // 2)),
        "quote left open": ("layout.csv", LAYOUT.encode() + b'"' + b"x,\n" * (MEGABYTE // 3)),
        "long row of forces": ("force.dat", FORCES.encode() + b"1 " * (MEGABYTE // 2)),
        "many brackets": ("force.dat", FORCES.encode() + b"(" * MEGABYTE),
        "many rows of a table": ("table.csv", b"reynolds,spin_ratio,cd,cl\n" + b"".join(
            b"%d,%d,1,1\n" % (i, i) for i in range(1, MEGABYTE // 16))),
    }  # fmt: skip


PROBE = """
import sys, tests.test_hostile_files as hostile
from pathlib import Path
from pipeline.errors import InputError
for path in map(Path, sys.argv[1:]):
    import time
    begun = time.process_time()
    try:
        hostile.READERS[path.name][0](path)
        said = "read"
    except InputError as error:
        said = "refused"
    print(path.parent.name, said, time.process_time() - begun, flush=True)
"""


def test_a_large_hostile_file_costs_neither_minutes_nor_gigabytes(tmp_path: Path) -> None:
    paths = []
    for name, (file, content) in large_files().items():
        assert len(content) <= 1.2 * MEGABYTE
        paths.append(tmp_path / name / file)
        paths[-1].parent.mkdir()
        paths[-1].write_bytes(content)

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_DATA, (2**30, 2**30))

    done = subprocess.run(
        [sys.executable, "-c", PROBE, *map(str, paths)],
        cwd=ROOT, capture_output=True, text=True, check=False, preexec_fn=limit, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    print(done.stdout)
    seconds = {line.rsplit(maxsplit=2)[0]: float(line.split()[-1]) for line in done.stdout.splitlines()}
    assert seconds.keys() == large_files().keys()
    assert max(seconds.values()) < 10, seconds


NAMES = st.text(alphabet=string.ascii_letters + "./\\ $`;&|'\"\n-_~*", min_size=1, max_size=12)


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(NAMES, st.sampled_from(["name: demo", "name: ico332"]))
def test_names_become_paths_only_after_a_check(
    tmp_path_factory: pytest.TempPathFactory, name: str, key: str
) -> None:
    path = tmp_path_factory.getbasetemp() / "named.yaml"
    quoted = "'" + name.replace("'", "''").replace("\n", " ") + "'"
    path.write_text(DEMO.replace(key, f"name: {quoted}"))
    try:
        study = load_study(path)
    except InputError:
        return
    for used in (study.name, *(pattern.name for pattern in study.patterns)):
        assert used.replace("-", "").replace("_", "").isalnum()
        assert not used.startswith("-")
