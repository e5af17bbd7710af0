"""Fixtures of tests with the solver."""

from pathlib import Path

import pytest
from tunnel import Tunnel

from pipeline.geometry.shell.mesh import Level


@pytest.fixture
def tiny_tunnel(tmp_path: Path) -> Tunnel:
    """Re 100 on 6,144 cells: a second a hundred iterations; for faults, not for numbers."""
    return Tunnel(tmp_path, "laminar", Level(8, 16), 100.0)
