import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from small_study import SMALL

from pipeline.cli.app import main

CASES = Path(__file__).parents[2] / "cases"


@dataclass
class Ended:
    """How a command ended and what it printed."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def depthline(monkeypatch, capsys):
    """Run the command in this process; returns exit code, standard output and standard error."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["depthline", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        return Ended(ended.value.code or 0, printed.out, printed.err)

    return run


@pytest.fixture
def demo():
    return CASES / "demo" / "study.yaml"


@pytest.fixture
def small(tmp_path):
    """A study that is laid out in no time."""
    path = tmp_path / "study.yaml"
    path.write_text(SMALL)
    return path
