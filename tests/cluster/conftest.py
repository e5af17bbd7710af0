"""The cluster that the tests of this folder share."""

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from one_node_slurm import Cluster


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    folder = Path(tempfile.mkdtemp(prefix="slurm"))
    made = Cluster(folder)
    try:
        made.start()
        yield made
    finally:
        made.stop()
        shutil.rmtree(folder)
