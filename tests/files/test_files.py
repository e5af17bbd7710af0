"""Files written under a temporary name: whole after a power cut, nothing left of killed writers."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.files.atomic import (
    TEMPORARY,
    atomic_open,
    remove_leftovers,
    write_json_if_changed,
    write_text,
)

ROOT = Path(__file__).parents[2]


def test_content_is_on_the_disk_before_the_rename(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A journal that writes names before data leaves an empty file when the power fails between the two.
    calls: list[str] = []
    fsync, replace = os.fsync, os.replace

    def note_fsync(descriptor: int) -> None:
        calls.append(f"fsync of {os.fstat(descriptor).st_size} bytes")
        fsync(descriptor)

    def note_replace(source: str, target: Path) -> None:
        calls.append("rename")
        replace(source, target)

    monkeypatch.setattr(os, "fsync", note_fsync)
    monkeypatch.setattr(os, "replace", note_replace)
    write_text(tmp_path / "run.json", "{}\n")
    assert calls == ["fsync of 3 bytes", "rename"]


def test_an_emptied_spec_is_written_anew(tmp_path: Path) -> None:
    path = tmp_path / "spec.json"
    assert write_json_if_changed(path, {"n": 1})
    assert not write_json_if_changed(path, {"n": 1})
    path.write_bytes(b"")
    assert write_json_if_changed(path, {"n": 1})
    path.write_bytes(b"\xff")
    assert write_json_if_changed(path, {"n": 1})


KILLED = """
import os, signal, sys
from pathlib import Path
from pipeline.files.atomic import atomic_open
with atomic_open(Path(sys.argv[1]) / "skin.stl") as stream:
    stream.write(b"half a skin")
    stream.flush()
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_leftovers_of_a_killed_writer_are_removed_and_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "geometry"
    folder.mkdir()
    for name in ("skin.stl", ".lock", ".snakemake"):
        (folder / name).write_text("stays")
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, str(folder)], env=os.environ | {"PYTHONPATH": str(ROOT)}
    )
    assert killed.returncode == -signal.SIGKILL
    (left,) = folder.glob(TEMPORARY)
    with atomic_open(folder / "totals.json") as stream:
        stream.write(b"in the midst of it")
        assert remove_leftovers(tmp_path) == [left]
    assert {path.name for path in folder.iterdir()} == {"skin.stl", ".lock", ".snakemake", "totals.json"}
    assert remove_leftovers(tmp_path / "not there") == []


def test_leftovers_are_looked_for_while_another_process_removes_folders(tmp_path: Path) -> None:
    """As the solver of a killed run does, which goes on for a while."""
    script = (
        "import os, sys\nprint(flush=True)\nwhile True:\n os.makedirs(sys.argv[1])\n os.rmdir(sys.argv[1])"
    )
    other = subprocess.Popen([sys.executable, "-c", script, str(tmp_path / "case")], stdout=subprocess.PIPE)
    try:
        assert other.stdout and other.stdout.readline()
        for _ in range(10_000):
            assert remove_leftovers(tmp_path) == []
    finally:
        other.kill()
        other.wait()
